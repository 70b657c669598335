package fillcalc

import "math"

const (
	// Readings are averaged over blocks: the display's noise goes, and few points say
	// it all. When there is no more room two blocks become one, and the next are
	// twice as long.
	warmUpBlockNs = 4e9
	warmUpPoints  = 24
	warmUpMinN    = 5
	// Neither a block's mean nor the model is better than this.
	warmUpMinC = 0.03
	// Points that lie further off a curve than this many times what their noise
	// explains (χ² over its degrees of freedom) are of no one curve: the engine has
	// another load, or a thermostat has opened. The oldest third goes then.
	changedChi2 = 3.0
	changedMinN = 8
	// Steps towards the best curve at each fit, and four times as many at the first;
	// the next fit goes on from there.
	warmUpSteps = 6
	settledCost = 0.01 // of the cost

	// A time is told when its standard uncertainty is within this share of it, or this
	// many seconds; once told, a little longer, so that a countdown does not come and
	// go. Later than forecastMaxS is never.
	forecastShare      = 0.1
	forecastMinS       = 4.0
	forecastKeepFactor = 1.5
	forecastMaxS       = 4 * 3600.0
)

// WarmUp is the fold's memory of how the fluid warms, or cools, and what follows
// for the window.
//
// The model: stages in series, each following the one before by Newton's law of
// cooling. The engine's heat warms the coolant or the converter, that the fluid,
// that the probe.
type WarmUp struct {
	Runs bool // the engine
	// Underway says that it did not begin from rest at the first point.
	Underway bool
	FromNs   int64 // first reading; 0 when there was none
	BlockNs  int64
	// The block being gathered.
	BlockFromNs int64
	SumS, SumC  float64
	Count       int
	Points      [warmUpPoints]warmUpPoint
	N           int

	Known bool // Curve is
	Curve warmUpCurve
	// When the fluid reaches the window's ends, with standard uncertainties; those are
	// 0 when it cannot be told.
	LowNs, HighNs int64
	LowUS, HighUS float64
}

// setForecast is when the window opens and closes as far as the warm-up tells.
func (c *CheckWindow) setForecast(w *WarmUp, nowNs int64) {
	if inside(c.State) {
		c.OpensInS, c.OpensInUS = 0, 0
	}
	rises := w.Curve[toC] > w.Curve[fromC]
	if !w.Known || rises && !w.Runs {
		return
	}
	in := func(ns int64, u float64) (s, expandedU float64) {
		if u == 0 {
			return math.NaN(), math.NaN()
		}
		return max(0, float64(ns-nowNs)/1e9), 2 * u
	}
	inS, inU := in(w.LowNs, w.LowUS)
	outS, outU := in(w.HighNs, w.HighUS)
	if !rises {
		inS, inU, outS, outU = outS, outU, inS, inU
	}
	switch {
	case inside(c.State):
	case c.State == Above && !rises, (c.State == Below || c.State == Nearing) && rises:
		c.OpensInS, c.OpensInUS = inS, inU
	default:
		return
	}
	c.ClosesInS, c.ClosesInUS = outS, outU
}

// warmUpPoint is the mean of a block; S counts from the first reading.
type warmUpPoint struct{ S, C float32 }

// add takes a reading.
func (w *WarmUp) add(atNs int64, celsius float64, p *Probe, spec *JobSpec) {
	if w.FromNs == 0 {
		w.FromNs, w.BlockFromNs, w.BlockNs = atNs, atNs, warmUpBlockNs
	}
	if w.Count > 0 && atNs-w.BlockFromNs >= w.BlockNs {
		if w.N == len(w.Points) {
			for i := range w.N / 2 {
				a, b := w.Points[2*i], w.Points[2*i+1]
				w.Points[i] = warmUpPoint{(a.S + b.S) / 2, (a.C + b.C) / 2}
			}
			w.N /= 2
			w.BlockNs *= 2
		} else {
			n := float64(w.Count)
			w.Points[w.N] = warmUpPoint{float32(w.SumS / n), float32(w.SumC / n)}
			w.N++
			w.forecast(atNs, p, p.Trend.Variance/n+warmUpMinC*warmUpMinC, spec)
			w.SumS, w.SumC, w.Count, w.BlockFromNs = 0, 0, 0, atNs
		}
	}
	w.SumS += float64(atNs-w.FromNs) / 1e9
	w.SumC += celsius
	w.Count++
}

// forecast fits the points, whose means have a variance, and sees when the window
// that the probe leaves begins and ends.
func (w *WarmUp) forecast(atNs int64, p *Probe, variance float64, spec *JobSpec) {
	low, high := w.LowUS > 0, w.HighUS > 0
	w.LowUS, w.HighUS = 0, 0
	if w.N < warmUpMinN || !w.Runs && p.LastC < spec.LowC {
		return // too soon, or nothing to come
	}
	best := w.fit(p.LagS, variance)
	for w.N >= changedMinN && best.squares > changedChi2*float64(w.N-3) {
		old := w.N / 3
		copy(w.Points[:], w.Points[old:w.N])
		w.N -= old
		w.Underway, w.Known, w.BlockNs = true, false, warmUpBlockNs
		best = w.fit(p.LagS, variance)
	}
	best.factor()
	// A curve that explains the points badly is known less well by as much.
	spread := max(1, best.squares/float64(w.N-3))
	nowS := float64(atNs-w.FromNs)/1e9 - w.originS()
	fluid := w.Curve.nudged(0)
	f := p.fluid(atNs)
	_, narrowerC, earlyC := f.margins()
	tell := func(celsius float64, told bool) (ns int64, u float64) {
		s, ok := fluid[0].reaches(celsius, nowS)
		if !ok {
			return 0, 0
		}
		_, rateCS, d := fluid.slopes(s)
		along := best.solve(d)
		varC := 0.0
		for i := range d {
			varC += float64(d[i] * along[i])
		}
		// In the end the probe's own noise has a say.
		varC = float64(spread*max(0, varC)) + float64(f.uCelsius*f.uCelsius)
		u = math.Sqrt(varC) / math.Abs(rateCS)
		limit := max(forecastMinS, forecastShare*(s-nowS))
		if told {
			limit *= forecastKeepFactor
		}
		if !(u <= limit) {
			return 0, 0
		}
		return atNs + int64((s-nowS)*1e9), u
	}
	w.LowNs, w.LowUS = tell(spec.LowC+narrowerC-earlyC, low)
	w.HighNs, w.HighUS = tell(spec.HighC-narrowerC, high)
}

// expected is what is known of a curve before there are points, as means and
// standard deviations (common practice, no source): a running engine takes the
// fluid to 90 °C give or take 20 in a time constant of a quarter of an hour give
// or take a factor of 2; standing, it cools to the shop's temperature in an hour;
// and people tell of the engine some seconds before or after they start it.
func (w *WarmUp) expected(lagS float64) (mean, sd warmUpCurve) {
	mean = warmUpCurve{toC: 90, fromC: float64(w.Points[0].C), lnSlow: 6.7, lnQuick: 3.7}
	sd = warmUpCurve{toC: 20, fromC: 5, lnSlow: 0.7, lnQuick: 1.5, delayS: 15}
	if !w.Runs {
		mean[toC], mean[lnSlow] = 20, 8.2
	}
	if w.Underway {
		// It began so long ago that what is quick is over: when, and from where, is all
		// the same then.
		mean[lnQuick], mean[delayS] = 1, -60-float64(5*lagS)
		sd[fromC], sd[lnQuick], sd[delayS] = 30, 0.01, 0.01
	}
	return mean, sd
}

// originS is where a curve's time counts from.
func (w *WarmUp) originS() float64 {
	if w.Underway {
		return float64(w.Points[0].S)
	}
	return 0
}

// fit moves the curve to where points and expectation agree best, by least
// squares (Gauss and Newton; damped by Levenberg and Marquardt; textbook). What
// it returns belongs to that curve.
func (w *WarmUp) fit(lagS, variance float64) normal {
	steps := warmUpSteps
	if !w.Known {
		w.Curve, _ = w.expected(lagS)
		w.Known = true
		steps *= 4
	}
	here := w.normal(&w.Curve, lagS, variance)
	damping := 1e-3
	for range steps {
		damped := here
		for i := range damped.h {
			damped.h[i][i] *= 1 + damping
		}
		damped.factor()
		step := damped.solve(here.g)
		next := w.Curve
		for i := range next {
			next[i] += step[i]
		}
		next[lnSlow] = min(max(next[lnSlow], 4.6), 9.9) // 100 s to 20,000 s
		next[lnQuick] = min(max(next[lnQuick], 0), 7.3) // 1 s to 1,500 s
		there := w.normal(&next, lagS, variance)
		if !(there.cost <= here.cost) {
			damping *= 10
			continue
		}
		settled := here.cost-there.cost < settledCost
		w.Curve, here = next, there
		if settled {
			break
		}
		damping /= 10
	}
	return here
}

// normal are the normal equations about a curve: h·step = g.
type normal struct {
	h       [5][5]float64 // lower triangle; after factor its Cholesky factor
	g       warmUpCurve
	squares float64 // of the points' distances, in standard deviations
	cost    float64 // and those from what was expected
}

func (w *WarmUp) normal(c *warmUpCurve, lagS, variance float64) (n normal) {
	probe := c.nudged(lagS)
	originS := w.originS()
	for _, p := range w.Points[:w.N] {
		celsius, _, d := probe.slopes(float64(p.S) - originS)
		off := float64(p.C) - celsius
		n.squares += float64(off * off / variance)
		for i := range d {
			n.g[i] += float64(d[i] * off / variance)
			for j := range i + 1 {
				n.h[i][j] += float64(d[i] * d[j] / variance)
			}
		}
	}
	n.cost = n.squares
	mean, sd := w.expected(lagS)
	for i := range c {
		off, weight := mean[i]-c[i], 1/float64(sd[i]*sd[i])
		n.h[i][i] += weight
		n.g[i] += float64(off * weight)
		n.cost += float64(off * off * weight)
	}
	return n
}

// factor is Cholesky's (textbook).
func (n *normal) factor() {
	for i := range n.h {
		for j := range i + 1 {
			sum := n.h[i][j]
			for k := range j {
				sum -= float64(n.h[i][k] * n.h[j][k])
			}
			if i == j {
				n.h[i][i] = math.Sqrt(max(sum, 1e-30)) // positive, but for rounding
			} else {
				n.h[i][j] = sum / n.h[j][j]
			}
		}
	}
}

func (n *normal) solve(g warmUpCurve) warmUpCurve {
	for i := range g {
		for k := range i {
			g[i] -= float64(n.h[i][k] * g[k])
		}
		g[i] /= n.h[i][i]
	}
	for i := len(g) - 1; i >= 0; i-- {
		for k := i + 1; k < len(g); k++ {
			g[i] -= float64(n.h[k][i] * g[k])
		}
		g[i] /= n.h[i][i]
	}
	return g
}
