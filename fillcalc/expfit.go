package fillcalc

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Saturation is a change that runs out as it nears its end:
//
//	y = A + B·(1 − exp(−C·x))
//
// Fluid on its way to a steady temperature does so (Newton's law of cooling),
// and a vessel that empties through a narrow gap.
type Saturation struct {
	A, B    float64       // start, and size of the change, in the unit of y
	C       float64       // rate, per unit of x
	Cov     [3][3]float64 // covariance of A, B and C
	RSS     float64       // sum of the squared residuals
	S       float64       // standard deviation of one y: √(RSS/(points − parameters))
	N       int           // points that the fit rests on
	LeftOut int           // points too far off to belong to the curve
}

const (
	// The rates looked at, times the span of x: from a curve that bends by half a
	// percent to one that is over at the first of many points.
	straightest = 0.01
	steepest    = 1000.0
	rateRatio   = 2.0 // from one to the next: the residuals change slowly with ln C

	// A point is left out when it is further off than this many standard
	// deviations, taken from the median so that stray points have no say in it. Of
	// good points one in 16,000 is (normal distribution).
	strayS       = 4.0
	normalMedian = 0.6745 // of |x|, for normal x of standard deviation 1 (textbook)
	strayLeastN  = 8      // the median of fewer points says too little
	// Before that, rounds in which points further off than this pull no harder the
	// further they are (Huber's weights; textbook): a bump would bend the first
	// curve so far that its own points look good.
	pullS      = 1.5
	pullRounds = 4
	// Leaving a point out moves the curve, and others may turn out stray, or good
	// after all: two or three rounds settle it.
	strayRounds = 5
)

// FitSaturation finds A, B and C by least squares; with fixedZero A is 0. It
// takes no starting values: once C is given, A and B follow from a straight
// line, so one search over C sees every minimum (variable projection; Golub and
// Pereyra 1973, from memory). x is counted from about where the change begins;
// the points may come in any order. Points that do not belong to the curve are
// left out, and counted.
//
// It is an error when there are fewer than four points (three with fixedZero),
// when a number is not finite or an x negative, and when the points do not bend,
// so that no end can be told.
func FitSaturation(x, y []float64, fixedZero bool) (Saturation, error) {
	p := projection{x: x, y: y, parameters: 3}
	if fixedZero {
		p.parameters = 2
	}
	if len(x) != len(y) {
		return Saturation{}, fmt.Errorf("saturation: %d x but %d y: give them in pairs", len(x), len(y))
	}
	if len(x) <= p.parameters {
		return Saturation{}, fmt.Errorf("saturation: %d points do not fix %d parameters: measure longer", len(x), p.parameters)
	}
	const largest = 1e12 // squares and products stay far from overflow
	for i := range x {
		if !(x[i] >= 0 && x[i] <= largest && math.Abs(y[i]) <= largest) {
			return Saturation{}, fmt.Errorf("saturation: point %d is (%g, %g): x must not be negative, neither may exceed 1e12", i, x[i], y[i])
		}
	}
	different := slices.Compact(slices.Sorted(slices.Values(x)))
	if fixedZero && different[0] == 0 {
		different = different[1:] // the curve passes there anyway
	}
	if len(different) < p.parameters || different[len(different)-1]-different[0] < 1e-12 {
		return Saturation{}, fmt.Errorf("saturation: %d different x do not fix %d parameters: measure at more", len(different), p.parameters)
	}
	p.weight, p.fade = make([]float64, len(x)), make([]float64, len(x))
	for i := range p.weight {
		p.weight[i] = 1
	}
	c, err := p.best()
	if err == nil && len(x) >= strayLeastN {
		c, err = p.withoutStrays(c)
	}
	if err != nil {
		return Saturation{}, err
	}
	f := p.saturation(&c)
	for _, v := range [...]float64{f.B, f.Cov[0][0], f.Cov[1][1], f.Cov[2][2]} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return Saturation{}, fmt.Errorf("saturation: the points do not fix %d parameters: measure at more different x", p.parameters)
		}
	}
	return f, nil
}

// At is the curve at x, and its standard uncertainty as far as it comes from A,
// B and C. At(math.Inf(1)) is the end that the change runs to.
func (f Saturation) At(x float64) (y, uY float64) {
	faded := fade(f.C, x)
	g := [3]float64{1, 1 - faded, 0} // derivatives of y with respect to A, B and C
	if faded > 0 {
		g[2] = f.B * x * faded
	}
	variance := 0.0
	for i := range g {
		for j := range g {
			variance += float64(g[i] * g[j] * f.Cov[i][j])
		}
	}
	return f.A + float64(f.B*(1-faded)), math.Sqrt(max(0, variance))
}

// fade is exp(−c·x), and 0 where that no longer shows beside 1.
func fade(c, x float64) float64 {
	if cx := c * x; cx < 50 {
		return Exp(-cx)
	}
	return 0
}

// projection holds the points of a fit.
type projection struct {
	x, y       []float64
	parameters int
	weight     []float64 // 1, less for a point that is far off, 0 when it is left out
	fade       []float64 // exp(−C·x) at the rate last looked at
}

// curve is the best one for a given rate: y against phi = 1 − exp(−C·x) is a
// straight line. When C moves, phi moves along psi = x·exp(−C·x); only what is
// at right angles to phi matters.
type curve struct {
	a, b, c    float64
	n          float64 // sum of the weights
	rss        float64
	slope      float64 // has the sign of d(rss)/dC
	phiM, psiM float64 // means; 0 when the curve begins at the origin
	phi2, psi2 float64 // sums of squares: phi about its mean, psi at right angles to it
	psiPhi     float64 // how much of phi is in psi
}

// at finds the curve for a rate.
func (p *projection) at(rate float64) (c curve) {
	c.c = rate
	yM := 0.0
	for i, x := range p.x {
		w := p.weight[i]
		p.fade[i] = fade(rate, x)
		c.n += w
		c.phiM += float64(w * (1 - p.fade[i]))
		c.psiM += float64(w * x * p.fade[i])
		yM += float64(w * p.y[i])
	}
	c.phiM, c.psiM, yM = c.phiM/c.n, c.psiM/c.n, yM/c.n
	if p.parameters == 2 {
		c.phiM, c.psiM, yM = 0, 0, 0
	}
	phiY, phiPsi := 0.0, 0.0
	for i, x := range p.x {
		w := p.weight[i]
		phi := 1 - p.fade[i] - c.phiM
		c.phi2 += float64(w * phi * phi)
		phiY += float64(w * phi * (p.y[i] - yM))
		phiPsi += float64(w * phi * (float64(x*p.fade[i]) - c.psiM))
	}
	c.b, c.psiPhi = phiY/c.phi2, phiPsi/c.phi2
	c.a = yM - float64(c.b*c.phiM)
	for i, x := range p.x {
		w := p.weight[i]
		phi := 1 - p.fade[i] - c.phiM
		psi := float64(x*p.fade[i]) - c.psiM - float64(c.psiPhi*phi)
		r := p.y[i] - yM - float64(c.b*phi)
		c.rss += float64(w * r * r)
		c.psi2 += float64(w * psi * psi)
		c.slope -= float64(w * c.b * r * psi)
	}
	return c
}

// best is the curve with the least sum of squares.
func (p *projection) best() (curve, error) {
	span := slices.Max(p.x)
	if p.parameters == 3 {
		span -= slices.Min(p.x)
	}
	var low, high curve // a minimum lies between
	found := false
	first := p.at(straightest / span)
	for before, rate := first, straightest*rateRatio/span; rate < steepest/span; rate *= rateRatio {
		here := p.at(rate)
		if before.slope < 0 && here.slope >= 0 && here.psi2 > 0 && (!found || min(before.rss, here.rss) < min(low.rss, high.rss)) {
			low, high, found = before, here, true
		}
		before = here
	}
	switch {
	case found:
		return p.between(low, high), nil
	case first.slope < 0:
		return curve{}, errors.New("saturation: the change is over at the first points: measure sooner and more often")
	}
	return curve{}, fmt.Errorf("saturation: up to x = %g nothing bends towards an end: measure longer", slices.Max(p.x))
}

// between finds where the slope is zero by false position. When the same end
// has moved twice, the slope at the other is taken as half, or the first would
// only creep (Illinois method; textbook).
func (p *projection) between(low, high curve) curve {
	lowSlope, highSlope := low.slope, high.slope
	moved := 0
	for range 100 {
		rate := low.c - float64(lowSlope*((high.c-low.c)/(highSlope-lowSlope)))
		if !(rate > low.c && rate < high.c) {
			break // one of the ends is the zero, to the last bit
		}
		if here := p.at(rate); here.slope < 0 {
			low, lowSlope = here, here.slope
			if moved == -1 {
				highSlope /= 2
			}
			moved = -1
		} else {
			high, highSlope = here, here.slope
			if moved == 1 {
				lowSlope /= 2
			}
			moved = 1
		}
	}
	if math.Abs(low.slope) < math.Abs(high.slope) {
		return low
	}
	return high
}

// withoutStrays is the curve without the points that are too far off it.
func (p *projection) withoutStrays(c curve) (curve, error) {
	off, sorted := make([]float64, len(p.x)), make([]float64, len(p.x))
	for round := range pullRounds + strayRounds {
		largest := 0.0
		for i, x := range p.x {
			off[i] = math.Abs(p.y[i] - c.a - float64(c.b*(1-fade(c.c, x))))
			largest = max(largest, math.Abs(p.y[i]))
		}
		copy(sorted, off)
		slices.Sort(sorted)
		// Where all points fit to the last digits, what is left is rounding.
		s := max(sorted[len(off)/2]/normalMedian, 1e-10*largest)
		changed := false
		for i := range off {
			weight := 1.0
			switch {
			case round < pullRounds && off[i] > pullS*s:
				weight = pullS * s / off[i]
			case round >= pullRounds && off[i] > strayS*s:
				weight = 0
			}
			changed = changed || weight != p.weight[i]
			p.weight[i] = weight
		}
		if !changed {
			break
		}
		var err error
		if c, err = p.best(); err != nil {
			return curve{}, err
		}
	}
	return c, nil
}

// saturation adds the uncertainty: the derivatives of y with respect to A, B and
// C are 1, phi and B·psi, and their sums of products are inverted step by step.
func (p *projection) saturation(c *curve) Saturation {
	variance := c.rss / (c.n - float64(p.parameters))
	f := Saturation{
		A: c.a, B: c.b, C: c.c,
		RSS: c.rss, S: math.Sqrt(variance), N: int(c.n), LeftOut: len(p.x) - int(c.n),
	}
	cc := variance / float64(c.b*c.b*c.psi2)
	bc := -float64(c.b * c.psiPhi * cc)
	bb := variance/c.phi2 - float64(c.b*c.psiPhi*bc)
	f.Cov[1] = [3]float64{0, bb, bc}
	f.Cov[2] = [3]float64{0, bc, cc}
	if p.parameters == 3 {
		ab := -float64(c.phiM*bb) - float64(c.b*c.psiM*bc)
		ac := -float64(c.phiM*bc) - float64(c.b*c.psiM*cc)
		aa := variance/c.n - float64(c.phiM*ab) - float64(c.b*c.psiM*ac)
		f.Cov[0] = [3]float64{aa, ab, ac}
		f.Cov[1][0], f.Cov[2][0] = ab, ac
	}
	return f
}
