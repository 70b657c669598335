package fillcalc

import "math"

const (
	// Readings are averaged over blocks, which removes the display's noise and leaves
	// few points. When there is no more room, each two blocks are merged, and the next
	// blocks are twice as long.
	warmUpBlockNs = 4e9
	warmUpPoints  = 24
	warmUpMinN    = 5
	// Lower limit for the standard deviation of a block's mean about the model.
	warmUpMinC = 0.03
	// If χ² over its degrees of freedom exceeds this, no one curve explains the
	// points: the engine has another load, or a thermostat has opened. The oldest
	// third of the points is then dropped.
	changedChi2 = 3.0
	changedMinN = 8
	// Iterations of one fit, and four times as many of the first. The next fit
	// continues from there.
	warmUpSteps = 6
	settledCost = 0.01 // a fit ends when an iteration improves the cost by less

	// A time is forecast if its standard uncertainty is within this share of it, or
	// within this many seconds. Once forecast, the limits are wider by a factor, so
	// that a countdown does not come and go. Nothing later than forecastMaxS is
	// forecast.
	forecastShare      = 0.1
	forecastMinS       = 4.0
	forecastKeepFactor = 1.5
	forecastMaxS       = 4 * 3600.0
)

// WarmUp is the fold's memory of how the fluid warms or cools, and the forecast for
// the window that follows from it.
//
// The model is a step through stages in series, each of which follows the one
// before by Newton's law of cooling: the engine's heat warms the coolant or the
// converter, that the fluid, and that the probe. Five parameters (final and initial
// temperature, a slow and a quick time constant, and when it began) are fitted to
// the means of blocks of readings, by damped least squares with a prior of what is
// usual for a gearbox. The fit is repeated with each new block.
//
// A time that is not known well enough is NaN in [CheckWindow]. A fit takes 30 to 40
// µs and allocates nothing; a WarmUp takes 336 bytes of the state.
type WarmUp struct {
	Runs bool // the engine runs
	// Underway says that the warm-up had begun before the first point.
	Underway bool
	FromNs   int64 // first reading; 0 if there was none
	BlockNs  int64
	// The block being gathered.
	BlockFromNs int64
	SumS, SumC  float64
	Count       int
	Points      [warmUpPoints]warmUpPoint
	N           int

	Known bool // Curve is known
	Curve warmUpCurve
	// When the fluid reaches the window's limits, with standard uncertainties in
	// seconds; these are 0 if the time is not known.
	LowNs, HighNs int64
	LowUS, HighUS float64
}

// setForecast sets the times in which the window opens and closes, as far as the
// warm-up gives them.
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

// warmUpPoint is the mean of a block; S is in seconds since the first reading.
type warmUpPoint struct{ S, C float32 }

// add takes a reading in °C.
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

// forecast fits the points and sets when the fluid reaches the limits of the
// window, narrowed by the error of the probe. variance is that of a point.
func (w *WarmUp) forecast(atNs int64, p *Probe, variance float64, spec *JobSpec) {
	low, high := w.LowUS > 0, w.HighUS > 0
	w.LowUS, w.HighUS = 0, 0
	if w.N < warmUpMinN || !w.Runs && p.LastC < spec.LowC {
		return // too early, or it cools below the window
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
	// A curve that explains the points badly has a larger uncertainty.
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
		// The state of the window follows the probe, whose noise adds to it.
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

// expected returns the prior of a curve, as means and standard deviations (common
// practice, no source). With the engine running, the fluid approaches 90 ± 20 °C
// with a time constant of about a quarter of an hour, known to a factor of 2. With
// the engine off, it cools to the shop's temperature with one of about an hour.
// People report the engine some seconds before or after they start it.
func (w *WarmUp) expected(lagS float64) (mean, sd warmUpCurve) {
	mean = warmUpCurve{toC: 90, fromC: float64(w.Points[0].C), lnSlow: 6.7, lnQuick: 3.7}
	sd = warmUpCurve{toC: 20, fromC: 5, lnSlow: 0.7, lnQuick: 1.5, delayS: 15}
	if !w.Runs {
		mean[toC], mean[lnSlow] = 20, 8.2
	}
	if w.Underway {
		// It began so long ago that the quick stages are over. When it began, and at
		// which temperature, no longer matters.
		mean[lnQuick], mean[delayS] = 1, -60-float64(5*lagS)
		sd[fromC], sd[lnQuick], sd[delayS] = 30, 0.01, 0.01
	}
	return mean, sd
}

// originS returns the origin of a curve's time, in seconds since the first reading.
func (w *WarmUp) originS() float64 {
	if w.Underway {
		return float64(w.Points[0].S)
	}
	return 0
}

// fit moves the curve to the least squares of points and prior (Gauss–Newton,
// damped after Levenberg and Marquardt; textbook). It returns the normal equations
// about that curve.
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

// normal holds the normal equations about a curve: h·step = g.
type normal struct {
	h       [5][5]float64 // lower triangle; after factor its Cholesky factor
	g       warmUpCurve
	squares float64 // sum of the points' squared residuals, in standard deviations
	cost    float64 // the same with the distances from the prior
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

// factor replaces h by its Cholesky factor (textbook).
func (n *normal) factor() {
	for i := range n.h {
		for j := range i + 1 {
			sum := n.h[i][j]
			for k := range j {
				sum -= float64(n.h[i][k] * n.h[j][k])
			}
			if i == j {
				n.h[i][i] = math.Sqrt(max(sum, 1e-30)) // positive except for rounding
			} else {
				n.h[i][j] = sum / n.h[j][j]
			}
		}
	}
}

// solve returns the solution of h·x = g. It needs factor first.
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
