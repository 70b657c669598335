package sim

import "math"

const gravityMS2 = 9.80665 // standard acceleration, ISO 80000-3

// orificeMS is the mean velocity in m/s through a round hole under a head of fluid. The head is the sum of two losses: the
// kinetic energy of the jet (Torricelli with a discharge coefficient; textbook) and creeping flow through a thin orifice,
// where the pressure is three times viscosity times flow over the radius cubed (Sampson 1891; textbook). So the velocity of a
// thin fluid follows the square root of the head, and that of a thick fluid, or under a small head, follows the head itself.
func orificeMS(headM, holeDiameterM, dischargeCoefficient, viscosityM2S float64) float64 {
	if headM <= 0 {
		return 0
	}
	potential := gravityMS2 * headM
	creep := 3 * math.Pi * viscosityM2S / (holeDiameterM / 2)
	return 2 * potential / (creep + math.Sqrt(creep*creep+2*potential/(dischargeCoefficient*dischargeCoefficient)))
}

// filmAfter is the mass in kg that still clings to the walls after dtS seconds of draining. A film of height L and width W
// holds (2/3)·W·L·√(v·L/(g·t)) (Jeffreys, Proc. Camb. Phil. Soc. 26, 1930), that is m = K·√(v/t). Written without t this is
// d(1/m²)/dt = 1/(K²·v), which needs no starting time, so viscosity may change and fluid may be added in mid-drain.
func filmAfter(dtS, filmKg, widthM, heightM, densityKgM3, viscosityM2S float64) float64 {
	if filmKg <= 0 {
		return 0
	}
	k := densityKgM3 * widthM * heightM * 2 / 3 * math.Sqrt(heightM/gravityMS2)
	return 1 / math.Sqrt(1/(filmKg*filmKg)+dtS/(k*k*viscosityM2S))
}
