package sim

import "testing"

// Values computed independently from the formula of ASTM D341 (2009 and later); half a unit of their last digit is at most
// 5e-8 of them. Both oils pass through their own two points, so 40 and 100 °C only test the inverse formula.
func TestViscosityFollowsASTMD341(t *testing.T) {
	for _, c := range []struct{ v40, v100, celsius, want float64 }{
		{35, 7.2, -10, 471.90348}, {35, 7.2, 0, 239.27818}, {35, 7.2, 20, 80.290043}, {35, 7.2, 25, 63.889038},
		{35, 7.2, 40, 35}, {35, 7.2, 60, 18.331311}, {35, 7.2, 80, 10.949489}, {35, 7.2, 100, 7.2}, {35, 7.2, 120, 5.0870451},
		{24, 5.4, -10, 287.04218}, {24, 5.4, 20, 52.749153}, {24, 5.4, 60, 13.027445}, {24, 5.4, 80, 8.0144673}, {24, 5.4, 120, 3.8934354},
		{30, 4.24, 60, 12.978556}, {30, 5.23, 60, 14.446837}, {68, 8.6, 60, 28.491689},
	} {
		f := Fluid{Viscosity40: c.v40, Viscosity100: c.v100}
		near(t, "viscosity mm²/s", f.ViscosityMm2S(c.celsius), c.want, c.want*5e-8)
	}
}

// Below 2 mm²/s the small terms of the standard matter: in both directions they must cancel, to 0.01 % of the fit.
func TestThinFluidRunsThroughItsPoints(t *testing.T) {
	f := Fluid{Viscosity40: 1, Viscosity100: 0.5}
	near(t, "viscosity mm²/s at 40 °C", f.ViscosityMm2S(40), 1, 1e-4)
	near(t, "viscosity mm²/s at 100 °C", f.ViscosityMm2S(100), 0.5, 1e-4)
}

// Values computed independently from the formula of ASTM D1250-80 (API MPMS 11.1), Table 54D, unrounded.
func TestDensityFollowsTable54D(t *testing.T) {
	for _, c := range []struct{ at15, celsius, want float64 }{
		{820, -10, 835.60123}, {820, 80, 778.64754}, {840, 40, 824.22049},
		{850, 0, 859.38497}, {850, 15, 850}, {850, 20, 846.85755}, {850, 25, 843.70831}, {850, 40, 834.22144},
		{850, 60, 821.48703}, {850, 80, 808.66463}, {850, 100, 795.76450}, {850, 120, 782.79681},
		{870, 80, 828.67545}, {890, 120, 822.84391},
	} {
		near(t, "density kg/m³", Fluid{Density15KgM3: c.at15}.DensityKgM3(c.celsius), c.want, 5e-6)
	}
}
