package fillcalc

// Air density and density of calibration weights by the convention for weighing
// in air (OIML D 28:2004, from memory).
const (
	ConventionalAirKgM3    = 1.2
	ConventionalWeightKgM3 = 8000
)

// BuoyancyFactor returns the mass of a liquid over the weight W that a scale
// shows for it. liquidKgM3 is the liquid's density ρ, airKgM3 that of the air, ρa:
//
//	m = W · (1 − ρa/8000) / (1 − ρa/ρ)
//
// A scale is adjusted with steel weights, and air carries more of the liquid than
// of steel: about 0.13 % for oil. The air is assumed to be the same at adjustment
// and when weighing.
//
// The fold applies the factor once, when a volume is asked for, with the density
// at the reference temperature. Density changes with temperature by a few
// percent, which changes the factor by less than 0.01 %.
func BuoyancyFactor(liquidKgM3, airKgM3 float64) float64 {
	return (1 - airKgM3/ConventionalWeightKgM3) / (1 - airKgM3/liquidKgM3)
}
