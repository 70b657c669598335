package fillcalc

import "math"

// Exp is e^x, with the same bits on every processor: math.Exp is assembly on
// some, and fused on others. It serves the small arguments of density
// corrections (|x| ≤ 0.5, error below 2 units in the last place); larger
// arguments are halved until they fit and the result is squared back, at the
// cost of about one unit for each halving.
func Exp(x float64) float64 {
	if x != x || x > 700 || x < -700 {
		return math.NaN() // outside any use here: say so rather than overflow
	}
	halvings := 0
	for x > 0.5 || x < -0.5 {
		x /= 2
		halvings++
	}
	// Taylor's series by Horner's rule; the first term left out, x^18/18!, is
	// below 1e-21 for |x| ≤ 0.5.
	sum := 1.0
	for n := 17.0; n >= 1; n-- {
		sum = 1 + float64(float64(x*sum)/n)
	}
	for range halvings {
		sum = float64(sum * sum)
	}
	return sum
}

// fade is exp(−rate·x), and 0 where that no longer shows beside 1. rate and x
// have reciprocal units.
func fade(rate, x float64) float64 {
	if rx := rate * x; rx < 50 {
		return Exp(-rx)
	}
	return 0
}
