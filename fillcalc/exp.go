package fillcalc

import "math"

// Exp returns e^x with the same bits on every processor. math.Exp does not: it is
// assembly on some processors and fused on others. Exp is made for the small
// arguments of density corrections: for |x| ≤ 0.5 its error is below 2 units in
// the last place. A larger argument is halved until it fits and the result is
// squared as often, which adds about one unit for each halving. Beyond |x| = 700
// the result is NaN.
func Exp(x float64) float64 {
	if x != x || x > 700 || x < -700 {
		return math.NaN() // outside any use here: better than an overflow
	}
	halvings := 0
	for x > 0.5 || x < -0.5 {
		x /= 2
		halvings++
	}
	// Taylor series by Horner's rule; the first omitted term, x^18/18!, is below
	// 1e-21 for |x| ≤ 0.5.
	sum := 1.0
	for n := 17.0; n >= 1; n-- {
		sum = 1 + float64(float64(x*sum)/n)
	}
	for range halvings {
		sum = float64(sum * sum)
	}
	return sum
}

// fade returns exp(−rate·x), and 0 where that is negligible beside 1. rate and x
// have reciprocal units.
func fade(rate, x float64) float64 {
	if rx := rate * x; rx < 50 {
		return Exp(-rx)
	}
	return 0
}
