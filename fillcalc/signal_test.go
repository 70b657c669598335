package fillcalc

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// What the signal is taken for. Every scene begins and ends quiet, in the phase draining
// on a scale of its own.
func TestScenes(t *testing.T) {
	type changes []struct {
		kg float64
		as Label
	}
	scenes := []struct {
		name      string
		flow      func(float64) float64
		force     func(float64) float64
		changes   changes
		drainedKg float64
		tolKg     float64 // on what drained and on each change
	}{
		{"quiet", nil, nil, nil, 0, 0.003},
		{"pour", during(2, 22, 0.05), nil, nil, 1, 0.004},
		{"fast pour", during(2, 12, 0.14), nil, nil, 1.4, 0.004},
		{"short pour", during(2, 7, 0.06), nil, nil, 0.3, 0.004},
		{"slow pour", during(2, 42, 0.008), nil, nil, 0.32, 0.006},
		{"gush that runs dry", decayed(0.14, 12), nil, nil, 0.14 * 12 * (1 - math.Exp(-5)), 0.005},
		{"a wrench", nil, rising(5, 5.1, 0.45), changes{{0.45, ""}}, 0, 0.006},
		{"a light spanner", nil, rising(5, 5.1, 0.08), changes{{0.08, ""}}, 0, 0.006},
		{"a pan tipped in within a second", during(5, 6, 0.45), nil, changes{{0.45, ""}}, 0, 0.008},
		{"a wrench while it drains", steady(0.03), rising(20, 20.1, 0.45), changes{{0.45, ""}}, 1.8, 0.012},
		{"a wrench comes and goes", nil, plus(rising(5, 5.1, 0.45), rising(25, 25.1, -0.45)), changes{{0.45, AsGone}, {-0.45, AsGone}}, 0, 0.006},
		{"a wrench comes and goes while it drains", steady(0.03), plus(rising(15, 15.1, 0.45), rising(35, 35.1, -0.45)),
			changes{{0.45, AsGone}, {-0.45, AsGone}}, 1.8, 0.012},
		{"a pan laid on to drip leaves fluid", nil, plus(rising(5, 5.3, 1.5), rising(45, 45.3, -1.2)),
			changes{{1.5, AsGone}, {-1.2, AsGone}}, 0.3, 0.006},
		{"two tools laid on, taken together", nil, plus(rising(5, 5.1, 0.3), rising(15, 15.1, 0.5), rising(35, 35.1, -0.8)),
			changes{{0.3, AsGone}, {0.5, AsGone}, {-0.8, AsGone}}, 0, 0.006},
		{"two tools laid on together, taken one by one", nil, plus(rising(5, 5.1, 0.8), rising(15, 15.1, -0.3), rising(35, 35.1, -0.5)),
			changes{{0.8, AsGone}, {-0.3, AsGone}, {-0.5, AsGone}}, 0, 0.006},
		{"two tools taken one by one", nil, plus(rising(5, 5.1, 0.3), rising(15, 15.1, 0.5), rising(35, 35.1, -0.3), rising(45, 45.1, -0.5)),
			changes{{0.3, AsGone}, {0.5, AsGone}, {-0.3, AsGone}, {-0.5, AsGone}}, 0, 0.006},
		{"caddy emptied", nil, plus(rising(10, 10.3, -3.2), rising(20, 20.3, 2.4)), changes{{-3.2, AsContainer}, {2.4, AsContainer}}, 0, 0.008},
		{"kick", nil, during(10, 10.3, 3), nil, 0, 0.004},
		{"kick while it drains", steady(0.05), during(10, 10.3, 3), nil, 3, 0.006},
		{"vibration", steady(0.01), func(t float64) float64 { return 0.015 * math.Sin(2*math.Pi*1.7*t) }, nil, 0.6, 0.02},
		{"slow lean, gone slowly", nil, plus(rising(10, 28, 2), rising(36, 54, -2)), changes{{-2, AsGone}}, 0, 0.01},
		{"slow lean, gone at once", nil, plus(rising(10, 28, 2), rising(36, 36.2, -2)), changes{{-2, AsGone}}, 0, 0.01},
		{"fast lean", nil, plus(rising(10, 10.5, 2), rising(35, 35.5, -2)), changes{{2, AsGone}, {-2, AsGone}}, 0, 0.01},
		{"pumped out", during(10, 40, -0.05), nil, changes{{-1.5, ""}}, 0, 0.02},
	}
	for _, scene := range scenes {
		for _, hz := range []float64{80, 10, 5, 2} {
			t.Run(fmt.Sprintf("%s at %g Hz", scene.name, hz), func(t *testing.T) {
				r := newRig(t, twoScales(), hz, 0.002)
				r.rest(4)
				r.do(Input{Do: DoOpen, Job: aJob()})
				r.rest(5)
				r.do(Input{Do: DoPhase, Phase: Draining})
				r.scene(60, scene.flow, nil, scene.force)
				end := 0.0
				if scene.force != nil {
					end = scene.force(60)
				}
				r.scene(8, nil, nil, steady(end))
				// With few readings, a weighing is hardly better than one of them.
				slackKg := map[float64]float64{80: 0, 10: 0, 5: 0.003, 2: 0.015}[hz]
				near(t, "drained", r.shown(DrainedTally), scene.drainedKg, scene.tolKg+slackKg)
				if len(r.s.Job.Changes) != len(scene.changes) {
					t.Fatalf("%d changes, want %v: %+v", len(r.s.Job.Changes), scene.changes, r.s.Job.Changes)
				}
				for i, c := range r.s.Job.Changes {
					near(t, "change", c.Kg, scene.changes[i].kg, scene.tolKg+slackKg+2*math.Sqrt(c.U2))
					if c.As != scene.changes[i].as {
						t.Errorf("change %d (%.3f kg) is %q, want %q", c.ID, c.Kg, c.As, scene.changes[i].as)
					}
				}
			})
		}
	}
}

// A stream is counted while it runs, without lag: half a second of it at most, which is
// what an indicator's filter takes.
func TestLiveFollowsAStream(t *testing.T) {
	for _, hz := range []float64{80, 10, 5} {
		for _, kgS := range []float64{0.02, 0.05, 0.12} {
			r := newRig(t, twoScales(), hz, 0.001)
			r.rest(4)
			r.do(Input{Do: DoOpen, Job: aJob()})
			r.rest(5)
			r.do(Input{Do: DoPhase, Phase: Draining})
			r.rest(5)
			start, meanKg, n := r.caddyKg, 0.0, 0
			for s := range 100 {
				r.scene(0.2, steady(kgS), nil, nil)
				v := r.s.Volumes()
				offKg := r.shown(DrainedTally) - (r.caddyKg - start)
				if s >= 5 && !(math.Abs(offKg) <= kgS/2) {
					t.Errorf("%g Hz, %g kg/s, after %.1f s: %.4f kg off", hz, kgS, float64(s+1)/5, offKg)
				}
				if !v.Quality.Good() {
					t.Errorf("%g Hz, %g kg/s, after %.1f s: %s", hz, kgS, float64(s+1)/5, v.Quality)
				}
				if s >= 15 {
					meanKg, n = meanKg+offKg, n+1
				}
			}
			near(t, fmt.Sprintf("mean lag at %g Hz, %g kg/s", hz, kgS), meanKg/float64(n), 0, 0.005+0.15*kgS)
			near(t, "flow in L/min", r.s.Volumes().DrainedLMin, kgS*60/r.s.Job.UsedKgM3*1000, 0.2)
			r.rest(5)
			near(t, "drained", r.shown(DrainedTally), 20*kgS, 0.004)
			if len(r.s.Job.Changes) > 0 {
				t.Errorf("%g Hz, %g kg/s: %+v", hz, kgS, r.s.Job.Changes)
			}
		}
	}
}

// While it runs, a stream's account lies within its expanded uncertainty 19 times out of 20
// (GUM 6.2.1, k = 2), however slow or fast it is.
func TestLiveLiesWithinItsUncertainty(t *testing.T) {
	for _, kgS := range []float64{0.01, 0.02, 0.05, 0.12} {
		r := started(t, twoScales(), aJob(), Draining)
		r.rest(5)
		start, looks, within := r.caddyKg, 0, 0
		for range 100 {
			r.scene(0.2, steady(kgS), nil, nil)
			looks++
			v := r.s.Volumes()
			offL := (r.shown(DrainedTally) - (r.caddyKg - start)) * r.s.Job.UsedFactor / r.s.Job.UsedKgM3 * 1000
			if math.Abs(offL) <= v.DrainedUL {
				within++
			}
		}
		if within < looks*85/100 {
			t.Errorf("%g kg/s: %d of %d figures lie within U", kgS, within, looks)
		}
	}
}

// Somebody who pours stops for a moment, and goes on: the account follows, and nothing
// is held back.
func TestPauseInAPour(t *testing.T) {
	for _, pauseS := range []float64{0.4, 0.8, 1.2, 2, 3} {
		r := started(t, twoScales(), aJob(), Filling)
		start := r.supplyKg
		follow := func(seconds, kgS float64) {
			for range int(seconds * 5) {
				r.scene(0.2, nil, steady(kgS), nil)
				if offKg := r.shown(AddedTally) - (start - r.supplyKg); !(math.Abs(offKg) <= 0.035) {
					t.Errorf("pause of %g s: %.4f kg off with %.3f kg poured", pauseS, offKg, start-r.supplyKg)
				}
				if v := r.s.Volumes(); !v.Quality.Good() || v.UndecidedL > 0 {
					t.Errorf("pause of %g s: %s, %.3f L undecided", pauseS, v.Quality, v.UndecidedL)
				}
			}
		}
		follow(8, 0.05)
		follow(pauseS, 0)
		follow(8, 0.05)
		follow(5, 0)
		near(t, "added", r.shown(AddedTally), 0.8, 0.004)
		if len(r.s.Job.Changes) > 0 {
			t.Errorf("pause of %g s: %+v", pauseS, r.s.Job.Changes)
		}
	}
}

// A filter of the first order makes a long tail of whatever happens. It makes a change no
// stream, and a stream no change.
func TestTailOfAFilter(t *testing.T) {
	for _, tauS := range []float64{0.3, 0.8} {
		filtered := func(kg, at float64) func(float64) float64 {
			return func(s float64) float64 { return kg * (1 - math.Exp(-max(0, s-at)/tauS)) }
		}
		r := started(t, twoScales(), aJob(), Draining)
		r.scene(40, nil, nil, plus(filtered(0.7, 5), filtered(-0.7, 25)))
		if got := r.labels(); !slices.Equal(got, []Label{AsGone, AsGone}) {
			t.Errorf("filter of %g s: %+v", tauS, r.s.Job.Changes)
		}
		near(t, "nothing drained", r.shown(DrainedTally), 0, 0.01)

		r = started(t, twoScales(), aJob(), Draining)
		r.scene(40, filtered(0.08, 5), nil, nil)
		rest := func(s float64) float64 { return 0.08 * math.Exp(-s/tauS) }
		r.scene(20, rest, nil, nil)
		if len(r.s.Job.Changes) > 0 {
			t.Errorf("filter of %g s: %+v", tauS, r.s.Job.Changes)
		}
		near(t, "drained", r.shown(DrainedTally), r.caddyKg-3.2, 0.006)
	}
}

// What one reading alone shows has not been there. What two show has, however short.
func TestSpikes(t *testing.T) {
	for name, c := range map[string]struct {
		shown  []float64 // kg off, one reading after the other
		spikes int
		atMost float64 // kg by which a bin is off
	}{
		"one reading":         {[]float64{7}, 1, 0.001},
		"one reading down":    {[]float64{-4}, 1, 0.001},
		"two, far apart":      {[]float64{7, 0, 0, 0, 0, 0, 0, -4}, 2, 0.001},
		"two equal readings":  {[]float64{7, 7}, 0, 8},
		"it stays":            {[]float64{7, 7, 7, 7, 7, 7, 7, 7}, 0, 8},
		"less than it sways":  {[]float64{0.01}, 0, 0.011},
		"a quarter of a pour": {[]float64{0.01, 0.02, 0.03, 0.04, 0.05}, 0, 0.051},
	} {
		a := newAlone(0.005)
		for range 100 {
			a.shows(5)
		}
		from := a.N
		for _, kg := range append(c.shown, 0, 0, 0, 0, 0, 0) {
			a.shows(5 + kg)
		}
		offKg := 0.0
		for i := range a.N - from {
			offKg = max(offKg, math.Abs(a.back(i).Kg-5))
		}
		if a.Spikes != c.spikes || offKg > c.atMost || c.spikes == 0 && offKg < c.shown[0]/4 {
			t.Errorf("%s: %d spikes, a bin is %.3f kg off", name, a.Spikes, offKg)
		}
	}
}

// A spike changes nothing, whatever runs.
func TestSpikeInAStream(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	for range 10 {
		r.scene(2, steady(0.05), nil, nil)
		r.atNs += 50e6
		r.apply(Event{Kind: KindWeight, Sensor: "caddy", Value: 55})
	}
	r.rest(5)
	near(t, "drained", r.shown(DrainedTally), 1, 0.006)
	if sc := &r.s.Scales[0]; sc.Spikes != 10 || len(r.s.Job.Changes) > 0 {
		t.Errorf("%d spikes, changes %+v", sc.Spikes, r.s.Job.Changes)
	}
}

// What nobody saw: fluid that ran is counted, what no fluid can be is a change.
func TestHoles(t *testing.T) {
	restart := func(r *rig) { r.do(Input{Do: DoStart, Setup: &r.s.Setup}) }
	for name, c := range map[string]struct {
		before, after float64 // kg/s
		holeS         float64
		meanwhileKg   float64
		happens       func(r *rig)
		drainedKg     float64
		changeKg      float64 // 0: none
		tolKg         float64
	}{
		"a stream goes on":                  {0.05, 0.05, 10, 0.5, nil, 1.5, 0, 0.006},
		"a stream goes on over a restart":   {0.05, 0.05, 10, 0.5, restart, 1.5, 0, 0.006},
		"a stream goes on for minutes":      {0.01, 0.01, 200, 2, nil, 2.2, 0, 0.006},
		"a stream ends":                     {0.05, 0, 10, 0.2, nil, 0.7, 0, 0.006},
		"a stream begins":                   {0, 0.05, 10, 0.3, nil, 0.8, 0, 0.006},
		"nobody saw what came":              {0, 0, 20, 0.4, nil, 0, 0.4, 0.006},
		"nothing":                           {0, 0, 60, 0, nil, 0, 0, 0.004},
		"nothing, over a restart":           {0, 0, 5, 0, restart, 0, 0, 0.004},
		"a tool came, heavier than a pour":  {0, 0, 4, 1.5, nil, 0, 1.5, 0.006},
		"a tool came over a restart":        {0, 0, 4, 1.5, restart, 0, 1.5, 0.006},
		"a tool came, and a stream goes on": {0.02, 0.02, 4, 1.58, nil, 0.48, 1.5, 0.2},
		"a tool went":                       {0, 0, 30, -0.8, nil, 0, -0.8, 0.006},
	} {
		t.Run(name, func(t *testing.T) {
			r := started(t, twoScales(), aJob(), Draining)
			r.scene(10, steady(c.before), nil, nil)
			r.atNs += int64(c.holeS * 1e9)
			r.caddyKg += c.meanwhileKg
			r.recent = [2][]float64{}
			if c.happens != nil {
				c.happens(r)
			}
			r.scene(10, steady(c.after), nil, nil)
			r.rest(6)
			near(t, "drained", r.shown(DrainedTally), c.drainedKg, c.tolKg)
			switch changes := r.s.Job.Changes; {
			case c.changeKg == 0 && len(changes) > 0:
				t.Errorf("%+v", changes)
			case c.changeKg == 0:
			case len(changes) != 1 || changes[0].Cause != Away:
				t.Errorf("%+v", changes)
			default:
				near(t, "change", changes[0].Kg, c.changeKg, c.tolKg)
			}
		})
	}
}

// The same story gives the same changes, and the same accounts within the scale's
// resolution, however often a scale sends.
func TestTallyDoesNotDependOnTheRate(t *testing.T) {
	tell := func(hz float64) State {
		r := newRig(t, twoScales(), hz, 0.001)
		r.rest(5)
		r.do(Input{Do: DoOpen, Job: aJob()})
		r.rest(5)
		r.do(Input{Do: DoPhase, Phase: Draining})
		r.rest(3)
		r.scene(40, decayed(0.12, 10), nil, nil)
		r.scene(20, steady(0.004), nil, rising(5, 5.2, 0.6))
		r.scene(20, steady(0.004), nil, plus(steady(0.6), rising(5, 5.2, -0.6)))
		r.rest(5)
		r.do(Input{Do: DoPhase, Phase: Filling})
		r.rest(5)
		r.scene(35, nil, during(2, 22, 0.05), nil)
		return r.s
	}
	few := tell(2)
	a := few.Volumes()
	for _, hz := range []float64{10, 80} {
		many := tell(hz)
		b := many.Volumes()
		near(t, fmt.Sprintf("drained at 2 Hz and at %g Hz", hz), a.DrainedL, b.DrainedL, 0.008)
		near(t, fmt.Sprintf("added at 2 Hz and at %g Hz", hz), a.AddedL, b.AddedL, 0.008)
		if len(few.Job.Changes) != 2 || len(many.Job.Changes) != 2 {
			t.Errorf("%d and %d changes, want 2", len(few.Job.Changes), len(many.Job.Changes))
		}
	}
}

// In wind that the setup does not know, the noise is learnt: nothing is asked, the account
// stays right within its uncertainty, which grows, and an alert says so until the wind has
// gone.
func TestWindIsLearnt(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	calmKg, calmUL := r.s.Scales[0].sigmaKg(), r.s.Volumes().DrainedUL
	if kind := alertOf(r.s, AlertScatter).Key; kind != "" {
		t.Errorf("before the wind: %s", kind)
	}
	wind := func(t float64) float64 {
		return 0.025 * (math.Sin(2*math.Pi*0.31*t) + math.Sin(2*math.Pi*0.47*t)) / 2
	}
	r.scene(60, nil, nil, wind)
	if kg := r.s.Scales[0].sigmaKg(); !(kg > 3*calmKg) {
		t.Errorf("sigma of %.4f kg after %.4f", kg, calmKg)
	}
	r.scene(40, steady(0.05), nil, wind)
	r.scene(20, nil, nil, wind)
	v := r.s.Volumes()
	near(t, "drained", v.DrainedL, 2/r.s.Job.UsedKgM3*1000*r.s.Job.UsedFactor, v.DrainedUL)
	if !(v.DrainedUL > 1.2*calmUL) || v.DrainedUL > 0.08 {
		t.Errorf("U of %.4f L after %.4f", v.DrainedUL, calmUL)
	}
	a := alertOf(r.s, AlertScatter)
	if a.Kind() != "scatter:caddy" || a.Key != "alert.scatter" || a.Names["scale"] != "caddy" || a.Figures["configured_kg"] != 0.002 || !(a.Figures["seen_kg"] > 0.005) {
		t.Errorf("%s: %s", a.Kind(), plain(a.Text))
	}
	r.clear()
	if asked := r.asked(); len(asked) > 0 {
		t.Errorf("asked about %d: %+v", asked, r.s.Job.Changes)
	}
	r.rest(120)
	if a := alertOf(r.s, AlertScatter); a.Key != "" {
		t.Errorf("after the wind: %s", a.Key)
	}
}

func alertOf(s State, code AlertCode) Alert {
	for _, a := range s.Alerts() {
		if a.Code == code {
			return a
		}
	}
	return Alert{Code: code}
}

// A bump may leave the cart standing differently, so that its scale shows a little more or
// less from then on. That is no fluid.
func TestKnockThatStays(t *testing.T) {
	for _, staysKg := range []float64{0.03, -0.04, 0.08} {
		r := started(t, twoScales(), aJob(), Draining)
		r.scene(20, steady(0.05), nil, nil)
		r.rest(8)
		r.scene(10, nil, nil, plus(during(4, 4.3, 3), during(4.3, 4.6, -2), rising(4.6, 4.61, staysKg)))
		r.caddyKg += staysKg
		r.rest(8)
		near(t, "drained", r.shown(DrainedTally), 1, 0.006)
		if c := r.s.Job.Changes; len(c) != 1 || c[0].Cause != Knock || c[0].As != AsThing {
			t.Errorf("%+.2f kg: %+v", staysKg, c)
		}
		r.clear()
		if asked := r.asked(); len(asked) > 0 {
			t.Errorf("%+.2f kg: asked about %d", staysKg, asked)
		}
	}
}

// While somebody knocks against the cart, something is poured quickly from its other scale. A
// knock leaves 20 g there (standard uncertainty; common practice, no source), so that what is
// more than three times as much, the way of fluid, was poured, and nobody is asked about it.
func TestPourDuringAKnock(t *testing.T) {
	for _, pouredKg := range []float64{0.08, 0.15} {
		r := started(t, twoScales(), aJob(), Filling)
		r.rest(6)
		r.scene(10, nil, during(4.5, 5.1, pouredKg/0.6), plus(during(4.5, 4.8, 3), during(4.8, 5.1, -2)))
		r.rest(8)
		near(t, fmt.Sprintf("added of %g kg", pouredKg), r.shown(AddedTally), pouredKg, 0.006)
		if len(r.s.Job.Changes) > 0 {
			t.Errorf("%g kg: %+v", pouredKg, r.s.Job.Changes)
		}
	}
}
