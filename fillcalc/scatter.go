package fillcalc

import "math"

// scatter measures how far the level of a scale sways while nothing is done to it.
//
// The second difference of three levels that lie a second apart is free of a steady
// stream. Its median is followed by small steps, so that what is set down or taken away
// now and then moves it little. Of independent levels with the standard deviation σ the
// second difference has √6 σ, and the median of its absolute value is 0.6745 of that.
// A sway of one frequency from 0.2 to 0.8 Hz is read as 0.6 to 2.7 of its σ, one of
// 0.9 Hz as 0.3, and one of 1 Hz not at all (TestScatterOfWind).
type scatter struct {
	AtNs   int64
	Kg     [2]float64 // the levels one second and two seconds before
	N      int        // levels so far
	Median float64    // of the absolute second difference, in kg
	PeakKg float64    // largest standard deviation of the level since the job was opened
}

const (
	scatterEveryNs = 1e9
	scatterStep    = 0.05 // share by which the median moves each second: half in 14 s
	scatterFirst   = 0.25 // the same for the first scatterFirstN
	scatterFirstN  = 12
	medianPerSigma = 0.6745 * 2.449489742783178 // of the second difference: median of |x| of a normal distribution, times √6
)

// see takes a level.
func (c *scatter) see(atNs int64, kg, stepKg float64) {
	if atNs-c.AtNs < scatterEveryNs {
		return
	}
	late := atNs-c.AtNs > 2*scatterEveryNs
	c.AtNs = atNs
	was := c.Kg
	c.Kg = [2]float64{kg, was[0]}
	if late {
		c.N = 0
	}
	if c.N++; c.N < 3 {
		return
	}
	second, moved := math.Abs(kg-float64(2*was[0])+was[1]), math.Abs(kg-was[1])
	if moved > float64(3*max(second, c.Median, stepKg)) {
		return // a stream
	}
	share := scatterStep
	if c.N < scatterFirstN {
		share = scatterFirst
	}
	if second > c.Median {
		c.Median = max(c.Median*(1+share), stepKg/8)
	} else {
		c.Median *= 1 - share
	}
	if c.N > 3*scatterFirstN {
		c.PeakKg = max(c.PeakKg, c.sigmaKg())
	}
}

// sigmaKg is the standard deviation of the level.
func (c *scatter) sigmaKg() float64 { return c.Median / medianPerSigma }
