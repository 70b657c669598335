package sim

import "math"

// Fluid is an oil, described by three figures of its data sheet.
type Fluid struct {
	Name                      string
	Density15KgM3             float64 // at 15 °C
	Viscosity40, Viscosity100 float64 // kinematic, mm²/s, at 40 and 100 °C
}

// DensityKgM3 is the density in kg/m³ at a temperature in °C, by the lubricating-oil volume correction of ASTM D1250-80 (API
// MPMS 11.1, Table 54D, base 15 °C) without the rounding of the printed procedure.
func (f Fluid) DensityKgM3(celsius float64) float64 {
	expansion := 0.6278 / f.Density15KgM3 * (celsius - 15)
	return f.Density15KgM3 * math.Exp(-expansion*(1+0.8*expansion))
}

// ViscosityMm2S is the kinematic viscosity in mm²/s at a temperature in °C, by ASTM D341: log log Z is a linear
// function of log T, here through the two points of the data sheet.
func (f Fluid) ViscosityMm2S(celsius float64) float64 {
	x, x40, x100 := logKelvin(celsius), logKelvin(40), logKelvin(100)
	y40, y100 := logLogZ(f.Viscosity40), logLogZ(f.Viscosity100)
	y := y40 + (y100-y40)*(x-x40)/(x100-x40)
	z := math.Pow(10, math.Pow(10, y)) - 0.7
	return z - math.Exp(-0.7487-3.295*z+0.6119*z*z-0.3193*z*z*z)
}

func logKelvin(celsius float64) float64 { return math.Log10(celsius + 273.15) }

func logLogZ(mm2S float64) float64 {
	z := mm2S + 0.7 + math.Exp(-1.47-1.84*mm2S-0.51*mm2S*mm2S)
	return math.Log10(math.Log10(z))
}
