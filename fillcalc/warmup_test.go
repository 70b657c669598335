package fillcalc

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"unsafe"
)

// Newton's law of cooling (textbook): from 20 °C toward 90 °C with a time constant
// of 900 s, computed from the published formula.
func TestStages(t *testing.T) {
	one := warmUpCurve{toC: 90, fromC: 20, lnSlow: 6.802394763324311, lnQuick: -15} // ln 900, and practically 0 s
	r := one.response(0)
	at := func(r *response, x float64) float64 {
		left, _ := r.left(x)
		return r.endC + (r.startC-r.endC)*left
	}
	for _, c := range []struct{ s, celsius float64 }{
		{60, 24.5145110}, {300, 39.8428083}, {600, 54.0608017}, {900, 64.2484391}, {1200, 71.5482003}, {1800, 80.5265302},
	} {
		near(t, "°C", at(&r, c.s), c.celsius, 1e-6)
	}
	for _, c := range []struct{ celsius, s float64 }{
		{35, 217.045851}, {40, 302.825013}, {45, 397.649477}, {50, 503.654209}, {55, 623.832463},
	} {
		s, ok := r.reaches(c.celsius, 0)
		near(t, "s", s, c.s, 0.01)
		if !ok {
			t.Errorf("%g °C is never reached", c.celsius)
		}
	}
	if s, ok := r.reaches(91, 0); ok {
		t.Errorf("reaches 91 °C after %g s", s)
	}
	if s, ok := r.reaches(30, 500); !ok || s != 500 {
		t.Errorf("30 °C, long past after 500 s, comes after %g s (%v)", s, ok)
	}

	// Fluid and probe: 1 − (tau1·exp(−t/tau1) − tau2·exp(−t/tau2))/(tau1 − tau2).
	probe := one.response(10)
	for _, s := range []float64{5, 20, 100, 1000} {
		want := (900*math.Exp(-s/900) - 10*math.Exp(-s/10)) / 890
		left, rate := probe.left(s)
		near(t, "left", left, want, 1e-9)
		near(t, "rate", rate, -(math.Exp(-s/900)-math.Exp(-s/10))/890, 1e-9)
	}
	// Three stages: the last follows the one before as a probe follows a bath.
	three := warmUpCurve{toC: 90, fromC: 20, lnSlow: 6, lnQuick: 4, delayS: 7}
	bath, shows := three.response(0), three.response(15)
	for _, s := range []float64{3, 8, 40, 300, 2000} {
		_, rate := shows.left(s)
		near(t, "bath less probe", at(&bath, s)-at(&shows, s), 15*rate*(20-90), 1e-9)
	}
	// Stages that are nearly equal, and a lag above the slow stage.
	for _, lagS := range []float64{Exp(4), 2000} {
		r := three.response(lagS)
		if left, _ := r.left(60); !(left > 0 && left < 1) {
			t.Errorf("lag %g: %g is left", lagS, left)
		}
	}
}

// The derivatives of the fit against difference quotients.
func TestStagesSlopes(t *testing.T) {
	c := warmUpCurve{toC: 85, fromC: 12, lnSlow: 6.5, lnQuick: 3.5, delayS: 4}
	nudged := c.nudged(12)
	for _, x := range []float64{10, 100, 900} {
		celsius, rate, d := nudged.slopes(x)
		after, _, _ := nudged.slopes(x + 1e-3)
		near(t, "rate", rate, (after-celsius)/1e-3, 1e-5)
		for i := range c {
			moved := c
			moved[i] += 1e-4
			other := moved.nudged(12)
			to, _, _ := other.slopes(x)
			near(t, fmt.Sprintf("slope %d at %g s", i, x), d[i], (to-celsius)/1e-4, 1e-3*math.Abs(d[i])+1e-4)
		}
	}
}

// The reference warm-up, with a probe that lags by 8 s: the window from 35 to
// 45 °C opens after 217.0 s and closes after 397.6 s.
func TestWarmUpForecast(t *testing.T) {
	w := newWarming(t, 8, 8, 20)
	forecasts, last := 0, math.NaN()
	w.pass(430, toward(20, 90, 900), func(s float64, c CheckWindow) {
		switch {
		case c.State == Nearing || c.State == Below:
			last = c.OpensInS
			if math.IsNaN(last) {
				break
			}
			forecasts++
			near(t, fmt.Sprintf("opens, forecast after %g s", s), s+c.OpensInS, 217.045851, max(c.OpensInUS, 2))
			if s > 217/2 {
				near(t, fmt.Sprintf("opens, forecast after %g s", s), c.OpensInS, 217.045851-s, max(0.15*(217-s), 3))
			}
		case inside(c.State):
			if s < 215 || c.OpensInS != 0 || c.OpensInUS != 0 {
				t.Errorf("after %g s: %s, opens in %g ± %g s", s, c.State, c.OpensInS, c.OpensInUS)
			}
			if s > 260 && s < 397 {
				near(t, fmt.Sprintf("closes, forecast after %g s", s), c.ClosesInS, 397.649477-s, max(0.15*(397-s), 4))
			}
		case c.State == Above:
			if s < 395 || !math.IsNaN(c.OpensInS+c.OpensInUS) || !math.IsNaN(c.ClosesInS+c.ClosesInUS) {
				t.Errorf("after %g s: above, opens in %g s, closes in %g s", s, c.OpensInS, c.ClosesInS)
			}
		}
	})
	if forecasts < 200 || last > 2 {
		t.Errorf("forecast %d times, last %g s before", forecasts, last)
	}
	if size := unsafe.Sizeof(WarmUp{}); size > 500 {
		t.Errorf("%d bytes", size)
	}
}

// Fluid that is too hot opens the window when it has cooled, with the engine
// running or not.
func TestCoolingForecast(t *testing.T) {
	for name, begin := range map[string]func(w *warming){
		"engine runs": func(w *warming) {},
		"engine off":  func(w *warming) { w.do(Input{Do: DoPhase, Phase: Filling, Why: "a test"}) },
	} {
		w, fluid := newWarming(t, 8, 8, 60), toward(60, 20, 1500)
		begin(w)
		opens, closes := 1500*math.Log(40.0/25), 1500*math.Log(40.0/15)
		forecasts := 0
		w.pass(closes+60, fluid, func(s float64, c CheckWindow) {
			switch {
			case c.State == Above && s > opens/2 && s < opens-10:
				forecasts++
				near(t, name+": opens in", c.OpensInS, opens-s, max(0.15*(opens-s), 5))
			case c.State == Open && s > (opens+closes)/2 && s < closes-10:
				forecasts++
				near(t, name+": closes in", c.ClosesInS, closes-s, max(0.15*(closes-s), 6))
			case c.State == Nearing && s > closes && !math.IsNaN(c.OpensInS):
				t.Fatalf("%s: cooling below the window opens in %g s", name, c.OpensInS)
			}
		})
		if forecasts < 1000 {
			t.Errorf("%s: forecast only %d times", name, forecasts)
		}
	}
}

// There is no forecast of what will not come, or while nothing is known.
func TestNoForecast(t *testing.T) {
	never := func(what string) func(float64, CheckWindow) {
		return func(s float64, c CheckWindow) {
			if !math.IsNaN(c.OpensInS) || !math.IsNaN(c.OpensInUS) || !math.IsNaN(c.ClosesInS) || !math.IsNaN(c.ClosesInUS) {
				t.Fatalf("%s: after %g s opens in %g ± %g, closes in %g ± %g s", what, s, c.OpensInS, c.OpensInUS, c.ClosesInS, c.ClosesInUS)
			}
		}
	}
	w := newWarming(t, 8, 8, 22)
	w.pass(200, steady(22), never("at rest"))
	w = newWarming(t, 8, 8, 33)
	w.pass(600, toward(33, 10, 900), never("cools from below"))
	w = newWarming(t, 8, 8, 20)
	w.pass(600, toward(20, 33, 400), func(s float64, c CheckWindow) {
		if s > 300 { // before that the end is not known
			never("ends below")(s, c)
		}
	})
	w = newWarming(t, 8, 8, 20)
	w.do(Input{Do: DoPhase, Phase: Filling, Why: "a test"})
	w.pass(150, toward(20, 90, 900), never("engine off"))
	w.pass(150, toward(33, 90, 900), func(s float64, c CheckWindow) {
		if inside(c.State) && !math.IsNaN(c.ClosesInS) {
			t.Fatalf("engine off, fluid rises: closes in %g s", c.ClosesInS)
		}
	})

	// The forecast ends with the probe's readings and returns after a gap.
	w, fluid := newWarming(t, 8, 8, 20), toward(20, 90, 900)
	w.pass(100, fluid, nil)
	if c := w.s.CheckWindow(); math.IsNaN(c.OpensInS) {
		t.Fatalf("no forecast: %+v", c)
	}
	w.atNs += 20e9
	w.shownC += fluid(120) - fluid(100)
	w.do(Input{Do: DoTick})
	never("silent")(120, w.s.CheckWindow())
	forecasts := 0
	w.pass(80, func(s float64) float64 { return fluid(120 + s) }, func(s float64, c CheckWindow) {
		if !math.IsNaN(c.OpensInS) {
			forecasts++
			near(t, "after the gap, opens in", c.OpensInS, 217-120-s, max(0.15*(217-120-s), 6))
		}
	})
	if forecasts < 60 {
		t.Errorf("forecast %d times after the gap", forecasts)
	}
}

// When the engine's load changes, the old curve is dropped.
func TestWarmUpTurns(t *testing.T) {
	w := newWarming(t, 8, 8, 10)
	idle, load := toward(10, 60, 1500), toward(10+50*(1-math.Exp(-300.0/1500)), 100, 900)
	w.pass(300, idle, nil)
	if w.s.Window.WarmUp.Underway {
		t.Error("the curve was dropped although the load did not change")
	}
	forecasts, opens := 0, 300+900*math.Log((100-load(0))/(100-35))
	w.pass(opens-300, load, func(s float64, c CheckWindow) {
		if !math.IsNaN(c.OpensInS) && s > 60 {
			forecasts++
			near(t, "opens in", c.OpensInS, opens-300-s, max(0.15*(opens-300-s), 6))
		}
	})
	if forecasts < 100 {
		t.Errorf("forecast %d times", forecasts)
	}
	if !w.s.Window.WarmUp.Underway {
		t.Error("the old curve was not dropped")
	}
}

// warmUpRun is one simulated warm-up, and what the window showed. Its figures are
// invented, within what workshops see (common practice, no source).
type warmUpRun struct {
	kind                                string
	ambientC, endC, tauS                float64
	secondS                             float64 // time constant of a second stage; 0 for none
	turnS, turnEndC, turnTauS           float64 // another load from turnS on
	phaseSetS                           float64 // when the phase was set, after the engine's start
	lowC, highC                         float64
	lagS, setLagS                       float64
	offsetC, noiseC, stepC, everyS, bad float64

	enteredS, openS float64 // when the fluid entered the window, and the first open; NaN for never
	outsideC        float64 // largest distance of the fluid from the window while open
	trail           []WindowState
	opens           []forecastAt
}

var warmUpSeed = flag.Uint64("warm-up-seed", 11, "seed of the simulated warm-ups")

// forecastAt is a forecast made at a time; NaN if there was none.
type forecastAt struct{ atS, inS, uS float64 }

func (r *warmUpRun) String() string {
	seen := *r
	seen.opens = nil
	type plainly warmUpRun
	return fmt.Sprintf("%+v", plainly(seen))
}

func randomWarmUp(rng *rand.Rand, kind string) *warmUpRun {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	oneOf := func(list ...float64) float64 { return list[rng.IntN(len(list))] }
	for {
		window := [][2]float64{{30, 50}, {35, 45}, {60, 70}, {75, 85}}[rng.IntN(4)]
		r := &warmUpRun{
			kind: kind, lowC: window[0], highC: window[1],
			ambientC: between(-5, 35), endC: between(60, 110), tauS: between(300, 1500), phaseSetS: between(-20, 20),
			setLagS: between(1, 20), offsetC: between(-0.3, 0.3), noiseC: between(0.05, 0.3),
			stepC: oneOf(0.1, 0.1, 0.2, 0.5, 1), everyS: oneOf(0.5, 1, 2, 5), bad: oneOf(0, 0, 0.005, 0.02),
		}
		if kind == "plain" {
			r.setLagS = between(1, 10)
		}
		r.lagS = r.setLagS * between(0.7, 1.3)
		end := r.endC
		switch kind {
		case "plain":
			r.lagS, r.offsetC, r.bad = r.setLagS, 0, 0
			r.noiseC, r.stepC, r.everyS = between(0.05, 0.1), 0.1, oneOf(0.5, 1)
		case "two stages":
			r.secondS = between(30, 0.5*r.tauS)
		case "two loads":
			r.turnS, r.turnTauS = between(60, 600), r.tauS*between(0.6, 1.6)
			r.turnEndC = between(max(60, r.endC-20), min(110, r.endC+20))
			end = r.turnEndC
		}
		if r.ambientC < r.lowC-3 && end > r.lowC+1 {
			return r
		}
	}
}

// reading is what the probe sends when it shows a temperature.
func (r *warmUpRun) reading(shownC float64, rng *rand.Rand) Event {
	e := Event{Kind: KindTemperature, Sensor: "probe"}
	if rng.Float64() < r.bad {
		e.Faults = FaultChecksum
	} else {
		e.Value = math.Round((shownC+r.offsetC+r.noiseC*rng.NormFloat64())/r.stepC) * r.stepC
	}
	return e
}

func (r *warmUpRun) play(t testing.TB, rng *rand.Rand) {
	setup := twoScales()
	setup.Probe.LagS = r.setLagS
	setup.Probe.Calibration = &ProbeCalibration{Gain: 1, U: 0.17, BestC: 40, Passed: true}
	b := &bench{t: t, atNs: 1_750_000_000e9, caddy: 3, supply: 9, celsius: r.ambientC, noise: func() float64 { return 0 }}
	b.do(Input{Do: DoStart, Setup: setup})
	job := aJob()
	job.LowC, job.HighC = r.lowC, r.highC
	b.do(Input{Do: DoOpen, Job: job})
	b.run(3, 0, 0)

	const stepS = 0.1
	left := func(tauS float64) float64 { return math.Exp(-stepS / tauS) } // nothing with a time constant of 0
	slow, second, probe := left(r.tauS), left(r.secondS), left(r.lagS)
	endC, engineC, fluidC, shownC := r.endC, r.ambientC, r.ambientC, r.ambientC
	r.enteredS, r.openS = math.NaN(), math.NaN()
	const before = 600 // steps with the engine off
	zeroNs, nextS := b.atNs+1e9*before*stepS, -before*stepS+r.everyS*rng.Float64()
	running := false
	for step := 1 - before; ; step++ {
		s := float64(step) * stepS
		b.atNs = zeroNs + int64(s*1e9)
		if s > 0 {
			if r.kind == "two loads" && s > r.turnS {
				endC, slow = r.turnEndC, left(r.turnTauS)
			}
			engineC = endC + (engineC-endC)*slow
			fluidC = engineC + (fluidC-engineC)*second
		}
		shownC = fluidC + (shownC-fluidC)*probe
		if !running && s >= r.phaseSetS {
			running = true
			b.do(Input{Do: DoPhase, Phase: Running, Why: "a test"})
		}
		if math.IsNaN(r.enteredS) && fluidC >= r.lowC {
			r.enteredS = s
		}
		heard := s >= nextS
		if heard {
			nextS += r.everyS * (0.98 + 0.04*rng.Float64())
			b.apply(r.reading(shownC, rng))
		} else if step%5 != 0 {
			continue
		}
		// Also between readings, when the last state still stands.
		b.s.NowNs = b.atNs
		c := b.s.CheckWindow()
		if inside(c.State) {
			r.outsideC = max(r.outsideC, r.lowC-fluidC, fluidC-r.highC)
			if math.IsNaN(r.openS) {
				r.openS = s
			}
		}
		if !running {
			continue
		}
		r.trail = slices.Compact(append(r.trail, c.State))
		if heard && math.IsNaN(r.openS) {
			r.opens = append(r.opens, forecastAt{s, c.OpensInS, c.OpensInUS})
		}
		if fluidC > r.highC+3 || s > 5400 || s > r.enteredS+1200 {
			return
		}
	}
}

// warmUps plays n warm-ups, of the given kinds in turn, and returns how many of
// them flicker.
func warmUps(t *testing.T, n int, seed uint64, kinds ...string) (runs []*warmUpRun, flickers int) {
	runs = make([]*warmUpRun, n)
	var wg sync.WaitGroup
	for k := range 2 {
		wg.Go(func() {
			for i := k; i < n; i += 2 {
				rng := rand.New(rand.NewPCG(uint64(i), seed))
				runs[i] = randomWarmUp(rng, kinds[i%len(kinds)])
				runs[i].play(t, rng)
			}
		})
	}
	wg.Wait()

	var delays, outside []float64
	for i, r := range runs {
		outside = append(outside, r.outsideC)
		if r.outsideC > toleranceC {
			t.Errorf("run %d: open %.2f °C outside of the window: %v", i, r.outsideC, r)
		}
		// After ten seconds without a value the state is blind and then returns, which
		// is no flicker.
		distinct := slices.Compact(slices.Sorted(slices.Values(r.trail)))
		if len(r.trail) > len(distinct) && !slices.Contains(r.trail, Blind) {
			flickers++
			t.Logf("run %d flickers: %v", i, r)
		}
		if !math.IsNaN(r.enteredS) && !math.IsNaN(r.openS) {
			delays = append(delays, r.openS-r.enteredS)
		}
	}
	quantiles := func(list []float64) string {
		slices.Sort(list)
		at := func(q float64) float64 { return list[int(q*float64(len(list)-1))] }
		return fmt.Sprintf("%d: min %.2f, 5 %% %.2f, median %.2f, 90 %% %.2f, 95 %% %.2f, 99 %% %.2f, max %.2f",
			len(list), at(0), at(0.05), at(0.5), at(0.9), at(0.95), at(0.99), at(1))
	}
	t.Logf("°C outside while open, of %s", quantiles(outside))
	t.Logf("s from entry to open, of %s", quantiles(delays))
	return runs, flickers
}

// forecastScore counts how well the opening was forecast at a share of the time
// until the window opened.
type forecastScore struct{ n, known, good, covered int }

func scoreForecasts(share float64, runs []*warmUpRun) (f forecastScore) {
	for _, r := range runs {
		// A change of load after half of that time cannot be forecast.
		if !(r.openS > 60) || r.turnS > r.openS/2 && r.turnS < r.openS {
			continue
		}
		f.n++
		i := slices.IndexFunc(r.opens, func(f forecastAt) bool { return f.atS >= share*r.openS })
		if i < 0 || math.IsNaN(r.opens[i].inS) {
			continue
		}
		f.known++
		leftS := r.openS - r.opens[i].atS
		// Six seconds, because the lag is known to 30 % only.
		off := math.Abs(r.opens[i].inS - leftS)
		if off <= max(0.15*leftS, 6) {
			f.good++
		}
		if off <= r.opens[i].uS+r.everyS {
			f.covered++
		}
	}
	return f
}

func percent(a, b int) float64 { return 100 * float64(a) / float64(b) }

func (f forecastScore) String() string {
	return fmt.Sprintf("%d runs, forecast in %.1f %%, of these within 15 %% %.1f %%, within U %.1f %%",
		f.n, percent(f.known, f.n), percent(f.good, f.known), percent(f.covered, f.known))
}

// A thousand warm-ups with noise (one stage, lag known): never open further outside
// than the tolerance, never later than two seconds and the dwell after the fluid
// has entered, no flicker, and from half of the time on, nine in ten openings are
// forecast to 15 %. A missing forecast counts as wrong.
//
// Measured with seed 11: never open more than 0.35 °C outside and never more than
// 4.8 s late. Half of them open 1.2 s early or earlier, since the window opens when
// the fluid may be inside. At half of the time 96.7 % are forecast, all within
// 15 %. Of 8,000 with seeds 1 to 8 (-warm-up-seed) 13 open later than the 5 s, by at
// most 1.8 s, eleven of them with fluid that entered within half a minute of the
// start.
func TestThousandWarmUps(t *testing.T) {
	if testing.Short() {
	}
	runs, flickers := warmUps(t, 1000, *warmUpSeed, "plain")
	if flickers > 0 {
		t.Errorf("%d flicker", flickers)
	}
	for i, r := range runs {
		if !math.IsNaN(r.enteredS) && !(r.openS-r.enteredS <= 2+dwellNs/1e9) {
			t.Errorf("run %d: open %.1f s after the fluid: %v", i, r.openS-r.enteredS, r)
		}
	}
	for _, share := range []float64{0.5, 0.6, 0.7, 0.8, 0.9} {
		f := scoreForecasts(share, runs)
		t.Logf("at %.1f of the way: %s", share, f)
		if percent(f.good, f.n) < 90 {
			t.Errorf("at %.1f of the way %d of %d are forecast to 15 %%", share, f.good, f.n)
		}
	}
}

// The same with lags known to 30 %, probes off by 0.3 °C, coarse displays, lost
// frames, two stages and changes of load. The window may open late, never outside.
//
// Measured with seed 11: open at most 0.92 °C outside; late by 5 s in the median and
// by 20 s in a tenth, if the lag is uncertain, because the other way it would open
// outside. At half of the time 76.7 % are forecast, 94.7 % of these within 15 %:
// two stages and changes of load are not known by then. Up to three of 1,000
// flicker once, when the fluid settles at a limit under a display of whole degrees.
func TestHarderWarmUps(t *testing.T) {
	if testing.Short() {
	}
	runs, flickers := warmUps(t, 1000, *warmUpSeed, "one stage", "one stage", "two stages", "two loads")
	neverOpen := 0
	for _, r := range runs {
		if !math.IsNaN(r.enteredS) && math.IsNaN(r.openS) {
			neverOpen++
		}
	}
	// Some settle so near a limit that a display of whole degrees does not show it.
	if neverOpen > 5 || flickers > 5 {
		t.Errorf("%d never open, %d flicker", neverOpen, flickers)
	}
	for _, kind := range []string{"one stage", "two stages", "two loads"} {
		of := slices.DeleteFunc(slices.Clone(runs), func(r *warmUpRun) bool { return r.kind != kind })
		for _, share := range []float64{0.5, 0.7, 0.9} {
			t.Logf("%s at %.1f of the way: %s", kind, share, scoreForecasts(share, of))
		}
	}
	for _, share := range []float64{0.5, 0.6, 0.7, 0.8, 0.9} {
		f := scoreForecasts(share, runs)
		t.Logf("at %.1f of the way: %s", share, f)
		if percent(f.known, f.n) < 70 || percent(f.good, f.known) < 93 || percent(f.covered, f.known) < 90 {
			t.Errorf("at %.1f of the way: %s", share, f)
		}
	}
}

// A state stored in the middle of a warm-up gives the same forecasts afterwards.
func TestForecastAfterASnapshot(t *testing.T) {
	w := newWarming(t, 8, 8, 20)
	w.pass(120, toward(20, 90, 900), nil)
	kept, err := json.Marshal(w.s)
	if err != nil {
		t.Fatal(err)
	}
	var again State
	if err := json.Unmarshal(kept, &again); err != nil {
		t.Fatal(err)
	}
	for range 100 {
		w.atNs += 500e6
		e := Event{AtNs: w.atNs, Kind: KindTemperature, Sensor: "probe", Value: 28 + w.rng.Float64()}
		w.s, again = Apply(w.s, e), Apply(again, e)
	}
	a, b := w.s.CheckWindow(), again.CheckWindow()
	if math.Float64bits(a.OpensInS) != math.Float64bits(b.OpensInS) || w.s.Window != again.Window {
		t.Errorf("opens in %v s, after a snapshot %v s", a.OpensInS, b.OpensInS)
	}
}
