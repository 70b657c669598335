package fillcalc

// Air density and density of calibration weights by the convention for weighing in
// air (OIML D 28:2004; the figures are from memory of it).
const (
	ConventionalAirKgM3    = 1.2
	ConventionalWeightKgM3 = 8000
)

// BuoyancyFactor is what a scale's reading must be multiplied by to give the
// mass of a liquid of density liquidKgM3 weighed in air of airKgM3: air carries
// more of the liquid than of the steel weights that the scale was adjusted
// with, about 0.13 % for oil.
//
//	m = W · (1 − ρa/8000) / (1 − ρa/ρ)
//
// The air at adjustment is taken to be the air when weighing.
func BuoyancyFactor(liquidKgM3, airKgM3 float64) float64 {
	return (1 - airKgM3/ConventionalWeightKgM3) / (1 - airKgM3/liquidKgM3)
}
