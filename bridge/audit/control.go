package audit

import "math"

// Control charts show whether a repeated process stays the same. NaN and infinite
// values are unknown: they are skipped, and the values before and after them count as
// successive. With fewer than two known values there are no limits (NaN), and no rule
// signals.
//
// Individuals, moving range and EWMA: NIST/SEMATECH e-Handbook of Statistical
// Methods, 6.3.2.2 and 6.3.2.4.

const (
	meanRangeOfTwo = 1.128 // d2: the mean range of two values, in sigmas
	maxRangeOfTwo  = 3.267 // D4: the upper limit of that range, in mean ranges
)

// Individuals is the chart of single values and of the ranges between successive
// ones. All figures are in the unit of the values.
type Individuals struct {
	N             int // known values
	Mean          float64
	MeanRange     float64
	Sigma         float64 // from the mean range: slow changes do not widen it
	LCL, UCL      float64
	RangeUCL      float64
	movingRangeOf []float64
}

// NewIndividuals computes the chart of values in order of time.
func NewIndividuals(x []float64) Individuals {
	c := Individuals{movingRangeOf: make([]float64, len(x))}
	first, last, sum, ranges := math.NaN(), math.NaN(), 0.0, 0.0
	for i, v := range x {
		c.movingRangeOf[i] = math.NaN()
		if !isNumber(v) {
			continue
		}
		if c.N++; c.N == 1 {
			first = v
		} else {
			c.movingRangeOf[i] = math.Abs(v - last)
			ranges += c.movingRangeOf[i]
		}
		sum += v - first // so that the mean of equal values is that value, to the last bit
		last = v
	}
	c.Mean = first + sum/float64(c.N)
	c.MeanRange = math.NaN()
	if c.N > 1 {
		c.MeanRange = ranges / float64(c.N-1)
	}
	c.Sigma = c.MeanRange / meanRangeOfTwo
	c.LCL, c.UCL = c.Mean-3*c.Sigma, c.Mean+3*c.Sigma
	c.RangeUCL = maxRangeOfTwo * c.MeanRange
	return c
}

// MovingRanges returns the distance of each value from the known value before it, NaN
// where there is none.
func (c Individuals) MovingRanges() []float64 { return c.movingRangeOf }

// EWMA is the exponentially weighted moving average. It shows a small lasting shift
// sooner than single values do.
type EWMA struct {
	Lambda float64 // weight of the newest value, in (0, 1]
	Target float64 // the average before the first value
	Sigma  float64 // of a single value
	// TargetOf is of how many values the target is the mean, other than those that are
	// charted: its variance then belongs to the limits. 0: it is exact.
	TargetOf int
}

// EWMAPoint is the average after a value, with its limits there. They start narrow,
// because one value does not move the average far.
type EWMAPoint struct{ Z, LCL, UCL float64 }

// Limits returns the limits that those of the points approach.
func (e EWMA) Limits() (lcl, ucl float64) {
	width := e.width(0)
	return e.Target - width, e.Target + width
}

// width returns the distance of the limits from the target. left is the share of the start
// in the variance of the average, which falls to 0.
func (e EWMA) width(left float64) float64 {
	share := e.Lambda / (2 - e.Lambda) * (1 - left)
	if e.TargetOf > 0 {
		share += 1 / float64(e.TargetOf)
	}
	return 3 * e.Sigma * math.Sqrt(share)
}

// Chart computes the average after each value, in order of time. An unknown value
// leaves the average as it was.
func (e EWMA) Chart(x []float64) []EWMAPoint {
	points := make([]EWMAPoint, len(x))
	z, width := e.Target, 0.0
	left := 1.0 // (1-lambda)^2i: the share of the start in the variance
	for i, v := range x {
		if isNumber(v) {
			z += e.Lambda * (v - z)
			left *= (1 - e.Lambda) * (1 - e.Lambda)
			width = e.width(left)
		}
		points[i] = EWMAPoint{z, e.Target - width, e.Target + width}
	}
	return points
}

// Beyond returns 1 when the average is above its limits, -1 when it is below, 0 when
// it is within.
func (p EWMAPoint) Beyond() int {
	switch {
	case p.Z > p.UCL:
		return 1
	case p.Z < p.LCL:
		return -1
	}
	return 0
}

// Rule is a rule that a point signals, as JSON names it. Its sentence is rule. and the rule.
type Rule string

const (
	// Western Electric, Statistical Quality Control Handbook, 1956: a number of
	// successive points, all on one side of the mean.
	OneBeyond3   Rule = "one_beyond_three"
	TwoBeyond2   Rule = "two_beyond_two"
	FourBeyond1  Rule = "four_beyond_one"
	EightOneSide Rule = "eight_on_one_side"
	// NIST/SEMATECH e-Handbook, 6.3.2.2 and 6.3.2.4.
	RangeBeyond Rule = "range_beyond"
	EWMABeyond  Rule = "average_beyond"
)

var runRules = [...]struct {
	rule     Rule
	need, of int
	sigmas   float64
}{
	{OneBeyond3, 1, 1, 3},
	{TwoBeyond2, 2, 3, 2},
	{FourBeyond1, 4, 5, 1},
	{EightOneSide, 8, 8, 0},
}

// RunRules returns the rules that each value signals: those that it completes and
// whose distance from the mean it exceeds itself. Without a sigma above 0 nothing
// signals.
func RunRules(x []float64, mean, sigma float64) [][]Rule {
	signals := make([][]Rule, len(x))
	if !(sigma > 0) {
		return signals
	}
	var known []float64 // up to the last eight, as distances from the mean in sigmas
	for i, v := range x {
		if !isNumber(v) {
			continue
		}
		known = append(known[max(0, len(known)-7):], (v-mean)/sigma)
		for _, r := range runRules {
			newest := known[len(known)-1]
			if len(known) < r.need || math.Abs(newest) <= r.sigmas {
				continue
			}
			beyond := 0
			for _, d := range known[max(0, len(known)-r.of):] {
				if math.Abs(d) > r.sigmas && d*newest > 0 {
					beyond++
				}
			}
			if beyond >= r.need {
				signals[i] = append(signals[i], r.rule)
			}
		}
	}
	return signals
}

func isNumber(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
