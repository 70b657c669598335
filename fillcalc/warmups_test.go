package fillcalc

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
)

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
