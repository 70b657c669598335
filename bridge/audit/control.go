package audit

import "math"

// Control charts: whether what repeats stays the same. Values that are not
// numbers stand for what is not known: they are passed over, and what comes
// before and after counts as successive. With fewer than two known values there
// are no limits (NaN), and nothing signals.
//
// Individuals, moving range and EWMA: NIST/SEMATECH e-Handbook of Statistical
// Methods, 6.3.2.2 and 6.3.2.4.

const (
	rangeOfTwo      = 1.128 // d2: the mean range of two values, in sigmas
	rangeLimitOfTwo = 3.267 // D4: the upper limit of that range, in mean ranges
)

// Individuals is the chart of single values and of the ranges between successive
// ones, in the values' unit.
type Individuals struct {
	N             int // known values
	Mean          float64
	MeanRange     float64
	Sigma         float64 // as the ranges tell it: slow changes do not widen it
	LCL, UCL      float64
	RangeUCL      float64
	movingRangeOf []float64
}

// NewIndividuals lays the chart through values in order of time.
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
		sum += v - first // of equal values the mean is that value, to the last bit
		last = v
	}
	c.Mean = first + sum/float64(c.N)
	c.MeanRange = math.NaN()
	if c.N > 1 {
		c.MeanRange = ranges / float64(c.N-1)
	}
	c.Sigma = c.MeanRange / rangeOfTwo
	c.LCL, c.UCL = c.Mean-3*c.Sigma, c.Mean+3*c.Sigma
	c.RangeUCL = rangeLimitOfTwo * c.MeanRange
	return c
}

// MovingRanges are the distances of each value from the known one before it; NaN
// where there is none.
func (c Individuals) MovingRanges() []float64 { return c.movingRangeOf }

// EWMA is the exponentially weighted moving average, which shows a small lasting
// shift sooner than single values do.
type EWMA struct {
	Lambda float64 // weight of the newest value, above 0 up to 1
	Target float64 // where it starts
	Sigma  float64 // of a single value
}

// EWMAPoint is the average after a value, with its limits there: they begin
// narrow, as one value has not moved it far.
type EWMAPoint struct{ Z, LCL, UCL float64 }

// Limits are those that the chart comes to.
func (e EWMA) Limits() (lcl, ucl float64) {
	reach := 3 * e.Sigma * math.Sqrt(e.Lambda/(2-e.Lambda))
	return e.Target - reach, e.Target + reach
}

// Chart follows values in order of time. A value that is not known leaves the
// average where it was.
func (e EWMA) Chart(x []float64) []EWMAPoint {
	points := make([]EWMAPoint, len(x))
	_, ucl := e.Limits()
	z, reach := e.Target, 0.0
	left := 1.0 // (1-lambda)^2i: the start's share in the variance
	for i, v := range x {
		if isNumber(v) {
			z += e.Lambda * (v - z)
			left *= (1 - e.Lambda) * (1 - e.Lambda)
			reach = (ucl - e.Target) * math.Sqrt(1-left)
		}
		points[i] = EWMAPoint{z, e.Target - reach, e.Target + reach}
	}
	return points
}

// Beyond is 1 where the average lies above its limits, -1 below, 0 within.
func (p EWMAPoint) Beyond() int {
	switch {
	case p.Z > p.UCL:
		return 1
	case p.Z < p.LCL:
		return -1
	}
	return 0
}

// Rule is what a point signals, in words.
type Rule string

const (
	// Western Electric, Statistical Quality Control Handbook, 1956: so many of so
	// many successive points, all on one side of the mean.
	OneBeyond3   Rule = "1 beyond 3 sigma"
	TwoBeyond2   Rule = "2 of 3 beyond 2 sigma"
	FourBeyond1  Rule = "4 of 5 beyond 1 sigma"
	EightOneSide Rule = "8 on one side"
	// NIST/SEMATECH e-Handbook, 6.3.2.2 and 6.3.2.4.
	RangeBeyond Rule = "range beyond its limit"
	EWMABeyond  Rule = "EWMA beyond its limits"
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

// RunRules are the rules that each value signals: those that it completes, lying
// beyond itself. Without a sigma above zero nothing signals.
func RunRules(x []float64, mean, sigma float64) [][]Rule {
	signals := make([][]Rule, len(x))
	if !(sigma > 0) {
		return signals
	}
	var known []float64 // the last eight at most, as distances in sigmas
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
