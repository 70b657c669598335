package study

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"runtime"
	"testing"

	"bayfill/fillcalc"
)

// undisturbed is the embedded distribution without changes of load other than fluid.
func undisturbed(t *testing.T) *Distribution {
	d, err := ParseDistribution([]byte(`
cart: {supply_kg: [12, 14]} # enough, so it is not swapped
pan: {slow_share: 0.4, laid_share: 0}
moves: {tool_draining_share: 0, tool_service_share: 0, tool_filling_share: 0, kick_share: 0, lean_share: 0,
        caddy_emptied_share: 0, supply_swapped_share: 0, supply_refilled_share: 0,
        gap_share: 0, gap_running_share: 0, restart_share: 0}
`))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func run(t *testing.T, d *Distribution, n int) ([]Job, Figures) {
	jobs, err := Run(t.Context(), d, 1, n)
	if err != nil {
		t.Fatal(err)
	}
	return jobs, Summarize(jobs, 1)
}

// In jobs without disturbance the volumes are right, their uncertainty is honest, and
// nothing goes wrong. What is asked is a pan that was tipped in at once.
func TestUndisturbedJobsAreMeasuredRight(t *testing.T) {
	jobs, f := run(t, undisturbed(t), 40)
	for name, v := range map[string]Volume{"drained": f.Drained, "added": f.Added, "balance": f.Balance} {
		if !(math.Abs(v.BiasPct) < 0.2) {
			t.Errorf("%s: bias %.2f %%", name, v.BiasPct)
		}
		if !(v.CoveragePct >= 85) {
			t.Errorf("%s: %.0f %% of the errors lie within U", name, v.CoveragePct)
		}
		if !(v.P95On4LML < 40) || !(v.ManualP95ML > 2*v.P95ML) {
			t.Errorf("%s: %.1f mL on 4 L, %.0f mL by hand", name, v.P95On4LML, v.ManualP95ML)
		}
	}
	if f.Moves != 0 || f.NotClosed != 0 || f.Gross != 0 || f.Streams < 40*4 || f.AskedPerJob > 1.2 {
		t.Errorf("%+v", f)
	}
	for _, j := range jobs {
		if j.Refused != "" {
			t.Errorf("job %d refused: %q", j.Number, j.Refused)
		}
	}
}

// Jobs with everything that happens in a workshop end and are judged: the volumes lie within
// their uncertainties, and little is asked.
func TestDisturbedJobs(t *testing.T) {
	jobs, f := run(t, DefaultDistribution(), 60)
	if f.NotClosed != 0 || f.Moves < 60 || f.AskedPerJob == 0 || f.AskedPerJob > 1.2 {
		t.Errorf("%+v", f)
	}
	for name, v := range map[string]Volume{"drained": f.Drained, "added": f.Added, "balance": f.Balance} {
		if !(v.CoveragePct >= 90) || math.IsNaN(v.SdML) || !(math.Abs(v.BiasPct) < 1) {
			t.Errorf("%s: %+v", name, v)
		}
	}
	for _, j := range jobs {
		if j.Refused != "" {
			t.Errorf("job %d: %s", j.Number, j.Refused)
		}
	}
}

func TestAJobDependsOnSeedAndNumberAlone(t *testing.T) {
	d := DefaultDistribution()
	before := runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(before)
	one, _ := run(t, d, 6)
	runtime.GOMAXPROCS(4)
	four, _ := run(t, d, 6)
	if !reflect.DeepEqual(one, four) {
		t.Error("the result depends on the number of cores")
	}
	if alone := Play(d, 1, 5, &bytes.Buffer{}); !reflect.DeepEqual(alone, four[4]) {
		t.Error("a job replayed alone has another result")
	}
	if other := Play(d, 2, 5, nil); reflect.DeepEqual(other, four[4]) {
		t.Error("the seed changes nothing")
	}
}

// More noise and drift give larger errors.
func TestAHarderDistribution(t *testing.T) {
	d := undisturbed(t)
	_, easy := run(t, d, 10)
	d.Scale.NoiseD, d.Scale.CreepD, d.Scale.DriftD = Range{3, 4}, 10, 20
	_, hard := run(t, d, 10)
	if !(hard.Drained.SdML > 1.2*easy.Drained.SdML) {
		t.Errorf("sd %.1f mL, and %.1f mL with noise and drift", easy.Drained.SdML, hard.Drained.SdML)
	}
}

func TestFiguresAsJSON(t *testing.T) {
	_, f := run(t, undisturbed(t), 2)
	text, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"jobs", "seed", "asked_per_job", "moves", "streams", "not_closed", "gross"} {
		if _, ok := got[key].(float64); !ok {
			t.Errorf("%s is missing in %s", key, text)
		}
	}
	for _, volume := range []string{"drained", "added", "balance"} {
		for _, key := range []string{"bias_pct", "sd_ml", "p95_abs_ml", "coverage_pct", "manual_p95_abs_ml"} {
			if _, ok := got[volume].(map[string]any)[key].(float64); !ok {
				t.Errorf("%s.%s is missing in %s", volume, key, text)
			}
		}
	}
}

func TestStudyStops(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if _, err := Run(ctx, DefaultDistribution(), 1, 1000); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

// Errors of -30, -10, 10 and 50 mL, each of 2 L, with U of 30 mL: calculated by hand.
func TestSummarize(t *testing.T) {
	var jobs []Job
	for _, ml := range []float64{-30, -10, 10, 50} {
		jobs = append(jobs, Job{Drained: Figure{L: 2 + ml/1000, UL: 0.0301, TrueL: 2, ManualL: 2.1, wholeL: 2},
			Added: Figure{L: 1, UL: 1, TrueL: 1, wholeL: 1}, Balance: Figure{L: 1, UL: 1, TrueL: 1, wholeL: 1},
			Counts: Counts{Moves: 2, Streams: 50, Asked: 3}, LiveML: []float64{math.Abs(ml)}, BehindS: []float64{ml / 100}, Back: 1})
	}
	jobs[1].Added.L = 3.0101 // an error of 2.0101 L, with U of 1 L
	f := Summarize(jobs, 7)
	for name, c := range map[string][2]float64{
		"bias %": {f.Drained.BiasPct, 0.25}, "sd mL": {f.Drained.SdML, 34.1565026}, "p95 mL": {f.Drained.P95ML, 50},
		"on 4 L": {f.Drained.P95On4LML, 100}, "covered": {f.Drained.CoveragePct, 75}, "by hand": {f.Drained.ManualP95ML, 100},
		"ratio": {f.Drained.Ratio, 2}, "moves": {float64(f.Moves), 8}, "streams": {float64(f.Streams), 200}, "asked": {f.AskedPerJob, 3},
		"gross": {float64(f.Gross), 1}, "worst mL": {f.Drained.WorstML, 50}, "live p50 mL": {f.LiveP50ML, 10}, "live p95 mL": {f.LiveP95ML, 50}, "behind s": {f.BehindP50S, -0.1}, "back": {f.BackPerJob, 1},
	} {
		if math.Abs(c[0]-c[1]) > 1e-6 {
			t.Errorf("%s is %g, want %g", name, c[0], c[1])
		}
	}
}

// The manual method without chance: 4 L at the reference temperature are 4.1 L at
// theirs, 0.05 L of which stay behind, and bottles of 1 L are filled exactly and keep
// 0.01 L.
func TestManualWay(t *testing.T) {
	d := DefaultDistribution()
	m := &d.Manual
	m.JugTolerancePct, m.ReadingL, m.LabelPct, m.SightShare = 0, 0, 0, 0
	m.ClingsL, m.BottleClingsL, m.BottleL = Range{0.06, 0.06}, Range{0.01, 0.01}, Choice{1}
	p := newPlay(d, 1, 1, nil)
	drained, added := manual(d, p.rng, 4.1, 4)
	// 4.04 is read as 4.0; four bottles give 3.96 and count as 4, then 0.04 of the fifth.
	if math.Abs(drained-4.0) > 1e-9 || math.Abs(added-4.04) > 1e-9 {
		t.Errorf("drained %g, added %g", drained, added)
	}
}

// draining is a play of an undisturbed job, ten seconds into its draining.
func draining(t *testing.T) *play {
	p := newPlay(undisturbed(t), 1, 1, nil)
	p.pass(seconds(8))
	p.do(fillcalc.Input{Do: fillcalc.DoOpen, Job: &p.drawn.spec})
	p.pass(seconds(5))
	p.phase(fillcalc.Draining)
	p.pass(seconds(10))
	return p
}

// The study must notice when the fold is wrong: here the fold is told that a tool was fluid,
// and that fluid was a tool.
func TestStudyDetectsAWrongAnswer(t *testing.T) {
	for _, wrong := range []struct {
		as   fillcalc.Label
		does func(p *play)
	}{
		{fillcalc.AsFluid, func(p *play) { p.cart.LayOnCaddy(0.5) }},
		{fillcalc.AsThing, func(p *play) { p.cart.TipPan(seconds(0.8)) }},
	} {
		p := draining(t)
		wrong.does(p)
		p.pass(seconds(10))
		if err := p.do(fillcalc.Input{Do: fillcalc.DoAnswer, Change: 1, As: wrong.as}); err != nil {
			t.Fatal(err)
		}
		p.pass(seconds(10))
		if offKg := p.errorKg()[0]; math.Abs(offKg) < 0.08 {
			t.Errorf("answered as %s: %.3f kg off", wrong.as, offKg)
		}
	}
}

// The technician answers with what truly happened, and the account is right.
func TestTheTechnicianKnows(t *testing.T) {
	for name, c := range map[string]struct {
		does func(p *play)
		want []fillcalc.Label
	}{
		"tool that lies": {func(p *play) { p.cart.LayOnCaddy(0.5); p.laid(0, 0.5) }, []fillcalc.Label{fillcalc.AsThing}},
		"tool that goes": {func(p *play) { p.cart.LayOnCaddy(0.5); p.pass(seconds(20)); p.cart.TakeFromCaddy(0.5) },
			[]fillcalc.Label{fillcalc.AsGone, fillcalc.AsGone}},
		"tipped pan":             {func(p *play) { p.cart.TipPan(seconds(0.8)) }, []fillcalc.Label{fillcalc.AsFluid}},
		"emptied caddy":          {func(p *play) { p.cart.EmptyCaddy() }, []fillcalc.Label{fillcalc.AsContainer, fillcalc.AsContainer}},
		"silent while it drains": {func(p *play) { p.cart.OpenDrain(); p.pass(seconds(5)); p.silence(0, 10); p.pass(seconds(200)) }, nil},
	} {
		p := draining(t)
		c.does(p)
		p.pass(seconds(60))
		p.until(func() bool { return p.do(fillcalc.Input{Do: fillcalc.DoClear}) == nil })
		p.pass(seconds(70))
		var got []fillcalc.Label
		for _, change := range p.s.Job.Changes {
			got = append(got, change.As)
		}
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %q, want %q: %+v", name, got, c.want, p.s.Job.Changes)
		}
		if offKg := p.errorKg()[0]; math.Abs(offKg) > 0.012 {
			t.Errorf("%s: %.3f kg off", name, offKg)
		}
		if asked := p.counts.Asked; asked > 1 {
			t.Errorf("%s: asked %d times", name, asked)
		}
	}
}

// The drawn truth deviates from the stated values by the stated uncertainties.
func TestDrawnErrorsFollowTheirUncertainty(t *testing.T) {
	d := DefaultDistribution()
	const n = 2000
	var density, gain, air float64
	for i := range n {
		p := newPlay(d, 3, uint64(i), nil).drawn
		density += math.Pow(p.cart.Used.Density15KgM3/p.spec.Used.DensityKgM3-1, 2) / n
		gain += math.Pow(p.scales[0].GainError, 2) / n
		air += math.Pow(p.cart.AirKgM3-1.2, 2) / n
		same := p.spec.Used.Name == p.spec.Fresh.Name
		if same != (p.cart.Used == p.cart.Fresh) {
			t.Fatal("one name, two densities")
		}
	}
	for name, c := range map[string][2]float64{"density": {math.Sqrt(density), d.Fluid.DensityUPct / 100}, "gain": {math.Sqrt(gain), math.Hypot(d.Scale.GainUPct, d.Scale.MovedPct/math.Sqrt(3)) / 100}, "air": {math.Sqrt(air), d.Cart.AirUKgM3}} {
		if math.Abs(c[0]/c[1]-1) > 0.06 { // four standard deviations of the estimate
			t.Errorf("%s: standard deviation %g, want %g", name, c[0], c[1])
		}
	}
}
