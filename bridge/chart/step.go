package chart

import "math"

// RoundDown returns the largest of 1, 2 and 5 times a power of ten that does not
// exceed v, which lies between 1e-300 and 1e307.
func RoundDown(v float64) float64 {
	power := powerOfTen(v)
	for _, factor := range [...]float64{5, 2} {
		if factor*power <= v {
			return factor * power
		}
	}
	return power
}

// RoundUp returns the smallest of 1, 2 and 5 times a power of ten that is not below
// v, which lies between 1e-300 and 1e307.
func RoundUp(v float64) float64 {
	power := powerOfTen(v)
	for _, factor := range [...]float64{1, 2, 5} {
		if factor*power >= v {
			return factor * power
		}
	}
	return 10 * power
}

// powerOfTen returns the largest power of ten that does not exceed v.
func powerOfTen(v float64) float64 {
	n := int(math.Floor(math.Log10(v)))
	// Log10 may be off by the last bit: that of 1000 is less than 3.
	if math.Pow10(n+1) <= v {
		n++
	}
	if math.Pow10(n) > v {
		n--
	}
	return math.Pow10(n)
}
