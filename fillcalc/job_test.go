package fillcalc

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

func (r *rig) refused(in Input, want string) {
	r.t.Helper()
	if err := Check(&r.s, &in); err == nil || !strings.Contains(err.Error(), want) {
		r.t.Errorf("%s: %v, want %q", in.Do, err, want)
	}
}

// started is a rig with an open job in a phase.
func started(t testing.TB, setup *Setup, spec *JobSpec, phase Phase) *rig {
	r := newRig(t, setup, 10, 0.001)
	r.scene(4, nil, nil, nil)
	r.do(Input{Do: DoOpen, Job: spec})
	if phase != Ready {
		r.do(Input{Do: DoPhase, Phase: phase})
	}
	r.scene(2, nil, nil, nil)
	return r
}

// shown returns an account in kilograms as the scale shows them.
func (r *rig) shown(t Tally) float64 { return r.s.shownKg(t) }

func TestTwoStepsInQuickSuccession(t *testing.T) {
	for _, hz := range []float64{10, 5, 2} {
		for _, gap := range []float64{4.5, 6, 8} {
			r := newRig(t, twoScales(), hz, 0.001)
			r.scene(4, nil, nil, nil)
			r.do(Input{Do: DoOpen, Job: aJob()})
			r.do(Input{Do: DoPhase, Phase: Draining})
			r.scene(30, steady(0.02), nil, plus(ramp(8, 8.1, 0.5), ramp(8+gap, 8.1+gap, 0.7)))
			r.scene(6, nil, nil, steady(1.2))
			stepsKg := 0.0
			for _, step := range r.s.Job.Steps {
				stepsKg += step.Kg
			}
			near(t, "steps", stepsKg, 1.2, 0.02)
			near(t, "drained", r.shown(DrainedTally), 0.6, 0.02)
		}
	}
}

func TestChangeAcrossPhasesIsBookedByDirection(t *testing.T) {
	// Both on one scale: a gap begins while it drains and ends while it is filled.
	r := started(t, oneScale(), aJob(), Draining)
	r.atNs += 20e9
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.atNs += 20e9
	r.caddyKg += 0.6
	r.scene(5, nil, nil, nil)
	if len(r.s.Job.Steps) != 1 || r.s.Job.Steps[0].Tally != DrainedTally {
		t.Fatalf("steps %+v: what came is drained, whatever the phase", r.s.Job.Steps)
	}
	r.do(Input{Do: DoDecide, Step: 1, As: AsFluid})
	near(t, "drained", r.shown(DrainedTally), 0.6, 0.004)
	near(t, "added", r.shown(AddedTally), 0, 0.004)

	// A bump that begins before the draining and settles during it loses no fluid.
	r = started(t, twoScales(), aJob(), Ready)
	r.scene(0.5, nil, nil, steady(0.4))
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.scene(10, steady(0.05), nil, steady(0.4))
	r.scene(4, nil, nil, steady(0.4))
	sumKg := r.shown(DrainedTally)
	for _, step := range r.s.Job.Steps {
		sumKg += step.Kg
	}
	near(t, "drained and steps", sumKg, 0.9, 0.03)

	// What is held when a job is abandoned does not affect the next one.
	r = started(t, twoScales(), aJob(), Draining)
	r.scene(0.5, nil, nil, steady(2))
	r.do(Input{Do: DoAbandon, Why: "test"})
	r.do(Input{Do: DoOpen, Job: aJob()})
	r.scene(5, nil, nil, steady(2))
	if len(r.s.Job.Steps) != 0 {
		t.Errorf("steps %+v", r.s.Job.Steps)
	}
}

func TestCloseNeedsReadableScales(t *testing.T) {
	for name, c := range map[string]struct {
		happens func(r *rig)
		want    string
	}{
		"silent":     {func(r *rig) { r.atNs += 5e9; r.do(Input{Do: DoTick}) }, "scale caddy is silent"},
		"overloaded": {func(r *rig) { r.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultOverload}) }, "scale caddy is overloaded"},
		"damaged":    {func(r *rig) { r.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultChecksum}) }, "sends damaged frames"},
	} {
		t.Run(name, func(t *testing.T) {
			r := started(t, twoScales(), aJob(), Draining)
			c.happens(r)
			r.refused(Input{Do: DoClose}, c.want)
			r.do(Input{Do: DoClose, Why: "the cable is torn, dipstick read"})
			if q := r.s.Volumes().Quality.String(); !strings.Contains(q, "the cable is torn") {
				t.Errorf("quality %q does not tell", q)
			}
		})
	}
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(0.6, nil, nil, steady(1))
	r.refused(Input{Do: DoClose}, "has not settled")

	// While fluid runs, and until the level has caught up with it.
	r = started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	runs := r.s.Runs()
	r.scene(0.3, nil, nil, nil)
	if still := r.s.Runs(); runs != "caddy" || still != "caddy" {
		t.Errorf("fluid runs on %q, on %q just after", runs, still)
	}
	r.scene(4, steady(0.002), nil, nil) // a drip only
	if runs := r.s.Runs(); runs != "" {
		t.Errorf("a drip runs on %q", runs)
	}
	r.do(Input{Do: DoClose})
	near(t, "drained", r.shown(DrainedTally), 1.008, 0.004)

	r = newRig(t, twoScales(), 10, 0)
	r.do(Input{Do: DoOpen, Job: aJob()})
	r.refused(Input{Do: DoPhase, Phase: Draining}, "scale caddy has not settled yet")
}

func TestDamagedFramesAreNotSilence(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	for range 100 {
		r.atNs += 100e6
		r.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultChecksum})
	}
	if q := r.s.Volumes().Quality.String(); q != "scale caddy sends damaged frames" {
		t.Errorf("quality %q", q)
	}
}

// With caddy and supply on one scale, phase and direction distinguish drained from
// added. A change that fluid cannot make is a step.
func TestBothOnOneScale(t *testing.T) {
	r := started(t, oneScale(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(50, nil, steady(0.05), nil)
	r.scene(5, nil, nil, nil)
	// The pan drips on: 60 g in two minutes.
	r.scene(120, steady(0.0005), nil, nil)
	r.scene(20, nil, steady(0.03), nil)
	r.scene(5, nil, nil, nil)
	near(t, "drained", r.shown(DrainedTally), 3.06, 0.006)
	near(t, "added", r.shown(AddedTally), 3.1, 0.006)
	if len(r.s.Job.Steps) != 0 {
		t.Errorf("steps %+v", r.s.Job.Steps)
	}

	r = started(t, oneScale(), aJob(), Draining)
	r.scene(20, steady(0.03), nil, nil)
	r.scene(20, nil, steady(0.02), nil) // poured while it should drain
	r.scene(5, nil, nil, nil)
	if n := len(r.s.Job.Steps); n != 1 || r.s.Job.Steps[0].Cause != Backward {
		t.Fatalf("steps %+v, want one that goes backward", r.s.Job.Steps)
	}
	// The streams follow each other within a second, so that the turn is not sharp.
	near(t, "drained", r.shown(DrainedTally), 0.6, 0.06)
	r.do(Input{Do: DoDecide, Step: 1, As: AsFluid, By: "somebody"})
	near(t, "added", r.shown(AddedTally), 0.4, 0.06)
	near(t, "their difference", r.shown(DrainedTally)-r.shown(AddedTally), 0.2, 0.006)
}

func TestRefilledSupplyKeepsTheTally(t *testing.T) {
	r := started(t, twoScales(), aJob(), Filling)
	r.scene(30, nil, steady(0.04), nil)
	r.scene(5, nil, nil, nil)
	r.scene(40, nil, steady(-0.05), nil) // slowly, out of a bottle
	r.scene(5, nil, nil, nil)
	if n := len(r.s.Job.Steps); n != 1 || r.s.Job.Steps[0].Tally != AddedTally {
		t.Fatalf("steps %+v", r.s.Job.Steps)
	}
	r.do(Input{Do: DoDecide, Step: 1, As: AsSwap, By: "somebody"})
	r.scene(30, nil, steady(0.04), nil)
	r.scene(5, nil, nil, nil)
	near(t, "added", r.shown(AddedTally), 2.4, 0.015)
}

// Fluid exchanged through the cooler line: out and in run together.
func TestTwoStreamsAtOnce(t *testing.T) {
	spec := aJob()
	spec.BalanceBandL = 0.4
	r := started(t, twoScales(), spec, Filling)
	r.scene(60, steady(0.06), steady(0.058), nil)
	v := r.s.Volumes()
	near(t, "out", v.DrainedLMin, 0.06*60/r.s.Job.UsedKgM3*1000, 0.05)
	near(t, "in", v.AddedLMin, 0.058*60/r.s.Job.FreshKgM3*1000, 0.05)
	near(t, "balance", v.BalanceL, v.AddedL-v.DrainedL, 1e-12)
	if alerts := r.s.Alerts(); len(alerts) != 0 {
		t.Errorf("alerts %+v inside the band", alerts)
	}
	r.scene(60, steady(0.06), steady(0.05), nil)
	if alerts := r.s.Alerts(); len(alerts) != 1 || alerts[0].Code != AlertBalance || !strings.Contains(alerts[0].Text, "less") {
		t.Errorf("alerts %+v outside the band", alerts)
	}
}

func TestOverflowAtTheCheckIsNotDrained(t *testing.T) {
	spec := aJob()
	spec.Check = ByOverflow
	r := started(t, twoScales(), spec, Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(66, nil, steady(0.05), nil)
	r.scene(4, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Checking})
	r.scene(20, steady(0.01), nil, nil)
	r.scene(4, nil, nil, nil)
	v := r.s.Volumes()
	near(t, "drained", r.shown(DrainedTally), 3, 0.005)
	near(t, "ran over", r.shown(OverflowTally), 0.2, 0.005)
	near(t, "balance", v.BalanceL, v.AddedL-v.OverflowL-v.DrainedL, 1e-12)
	p := r.plan()
	near(t, "remaining", p.RemainingL, p.TargetL-v.AddedL+v.OverflowL, 1e-9)
}

func TestEntriesMoveThePlan(t *testing.T) {
	spec := aJob()
	spec.BottleL = 1
	setup := twoScales()
	setup.Scales = setup.Scales[:1] // the supply is bottles
	r := started(t, setup, spec, Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	before := r.plan().TargetL
	for _, e := range []Entry{
		{What: EnterSpilled, L: 0.2, UL: 0.05}, {What: EnterRetained, L: 0.3, UL: 0.1}, {What: EnterSpilled, L: -0.1},
		{What: EnterLevel, L: -0.7}, {What: EnterLevel, L: 0.4, UL: 0.1}, // the last one stands
	} {
		r.do(Input{Do: DoEnter, Entry: &e, By: "somebody"})
	}
	// Used and fresh oil expand nearly alike: 0.4 L, plus 0.4 L converted from warm to
	// 20 °C.
	near(t, "target", r.plan().TargetL-before, 0.4+0.4*0.985, 0.004)
	r.do(Input{Do: DoPhase, Phase: Filling})
	for _, share := range []float64{1, 1, 0.5} {
		r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterBottle, L: 1, Share: share}})
	}
	v := r.s.Volumes()
	near(t, "added", v.AddedL, 2.5, 1e-12)
	if !v.Quality.Good() || !(v.AddedUL > 0.03 && v.AddedUL < 0.2) {
		t.Errorf("quality %q, U %g L", v.Quality, v.AddedUL)
	}
	for _, c := range []struct {
		e    Entry
		want string
	}{
		{Entry{What: "magic"}, "what: "}, {Entry{What: EnterBottle, L: 1}, "share: "}, {Entry{What: EnterBottle, Share: 1}, "l: "},
		{Entry{What: EnterSpilled, L: math.Inf(1)}, "l: "}, {Entry{What: EnterSpilled, L: -0.2}, "takes off more than"},
		{Entry{What: EnterBottle, L: -1, Share: 1}, "l: "}, {Entry{What: EnterDipstick, Share: 3}, "share: "},
	} {
		r.refused(Input{Do: DoEnter, Entry: &c.e}, c.want)
	}
}

// A label states the volume at 20 °C. Oil expands by 0.07 to 0.09 % a degree (common
// practice, no source), so two litres are 8 mL less at 15 °C.
func TestBottlesAtAnotherReference(t *testing.T) {
	for referenceC, want := range map[float64]float64{20: 2, 15: 1.9918, 15.56: 1.9928} {
		setup := twoScales()
		setup.Scales, setup.ReferenceC = setup.Scales[:1], referenceC // the supply is bottles
		r := started(t, setup, aJob(), Draining)
		r.scene(60, steady(0.05), nil, nil)
		r.scene(4, nil, nil, nil)
		r.do(Input{Do: DoPhase, Phase: Filling})
		r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterBottle, L: 1, Share: 1}})
		r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterBottle, L: 1, Share: 1}})
		v := r.s.Volumes()
		at20, err := r.s.Job.Spec.Fresh.Density(20)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("added at %g °C", referenceC), v.AddedL, want, 0.0012)
		near(t, fmt.Sprintf("mass at %g °C", referenceC), v.AddedKg, 2*at20/1000, 1e-12)
	}
}

func TestOtherFluidNeedsAReason(t *testing.T) {
	r := newRig(t, twoScales(), 10, 0)
	spec := aJob()
	spec.AskedFluid = "amber 6"
	r.refused(Input{Do: DoOpen, Job: spec}, "fluid: the service data ask for amber 6")
	spec.OtherFluid, spec.OtherFluidBy = "amber 6 is superseded by it", "somebody"
	r.do(Input{Do: DoOpen, Job: spec})
}

// A setup that changes during a job must not change the meaning of its litres.
func TestJobKeepsItsReferenceTemperature(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	before := r.s.Volumes().DrainedL
	other := twoScales()
	other.ReferenceC = 15
	r.do(Input{Do: DoStart, Setup: other})
	r.scene(4, nil, nil, nil)
	near(t, "drained", r.s.Volumes().DrainedL, before, 0.003)
	if r.s.Job.ReferenceC != 20 {
		t.Errorf("reference %g °C", r.s.Job.ReferenceC)
	}
}

func TestCalibrationCorrectsWhatIsShown(t *testing.T) {
	setup := twoScales()
	setup.Scales[0].Calibration = &ScaleCalibration{Slope: 1.01, SlopeU: 0.0002, LightestKg: 1, Passed: true,
		AtNs: 1_750_000_000e9, DueNs: 1_750_000_000e9 + nsPerYear}
	r := started(t, setup, aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	near(t, "drained", r.shown(DrainedTally), 3.03, 0.004)
	for _, term := range r.s.Budget(DrainedTally) {
		if term.Name == "slope of the scale" {
			near(t, "slope's part", term.L, r.s.Volumes().DrainedL*0.0002, 1e-6)
		}
	}
}

func (r *rig) decideAll(as Decision) {
	for _, step := range r.s.Job.Steps {
		if step.As == "" {
			r.do(Input{Do: DoDecide, Step: step.ID, As: as, By: "somebody"})
		}
	}
}

func TestDecidedAsLean(t *testing.T) {
	// A slow push while it drains, released at once: its rise was taken for fluid.
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(60, steady(0.03), nil, plus(ramp(10, 25, 1.5), ramp(30, 30.3, -1.5)))
	r.scene(5, nil, nil, nil)
	if n := len(r.s.Job.Steps); n != 1 || r.s.Job.Steps[0].As != "" {
		t.Fatalf("steps %+v", r.s.Job.Steps)
	}
	r.decideAll(AsLean)
	near(t, "drained", r.shown(DrainedTally), 1.8, 0.03)

	// Both ends fast: the answer to one of them takes nothing back twice.
	r = started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.03), nil, ramp(5, 6, 1.5))
	r.decideAll(AsLean)
	r.scene(20, steady(0.03), nil, plus(steady(1.5), ramp(5, 6, -1.5)))
	r.scene(5, nil, nil, nil)
	r.decideAll(AsLean)
	near(t, "drained", r.shown(DrainedTally), 1.2, 0.02)
}

func TestObjectsLaidTogetherTakenOneByOne(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(10, nil, nil, ramp(3, 3.1, 1.2)) // a wrench of 0.8 and a socket of 0.4 kg
	r.decideAll(AsObject)
	r.scene(10, nil, nil, plus(steady(1.2), ramp(3, 3.1, -0.8)))
	r.decideAll(AsObject)
	r.scene(10, nil, nil, plus(steady(0.4), ramp(3, 3.1, -0.4)))
	r.decideAll(AsObject)
	near(t, "drained", r.shown(DrainedTally), 0, 0.006)
}

func TestGapEndsAHold(t *testing.T) {
	for name, cut := range map[string]func(r *rig){
		"silence": func(r *rig) { r.atNs += 20e9 },
		"restart": func(r *rig) { r.atNs += 20e9; r.do(Input{Do: DoStart, Setup: twoScales()}) },
	} {
		r := started(t, twoScales(), aJob(), Draining)
		r.caddyKg += 0.7 // a tool, and a gap before it has settled
		r.scene(1.5, nil, nil, nil)
		cut(r)
		r.caddyKg += 0.3 // fluid meanwhile
		r.scene(5, nil, nil, nil)
		if n := len(r.s.Job.Steps); n != 2 || r.s.Job.Steps[1].Cause != Away {
			t.Fatalf("%s: steps %+v", name, r.s.Job.Steps)
		}
		near(t, name+": the tool", r.s.Job.Steps[0].Kg, 0.7, 0.03)
		near(t, name+": meanwhile", r.s.Job.Steps[1].Kg, 0.3, 0.03)
	}
}

// What left during a gap may have been the object; only a person knows.
func TestStepDuringAGapNeedsADecision(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(10, nil, nil, ramp(3, 3.1, 0.7))
	r.caddyKg += 0.7
	r.atNs += 20e9
	r.caddyKg -= 0.7
	r.scene(5, nil, nil, nil)
	if n := len(r.s.Job.Steps); n != 2 || r.s.Job.Steps[1].As != "" {
		t.Fatalf("steps %+v", r.s.Job.Steps)
	}
	r.decideAll(AsObject)
	if r.s.Job.Steps[1].With != 1 {
		t.Errorf("steps %+v, want a pair once somebody said so", r.s.Job.Steps)
	}
	near(t, "drained", r.shown(DrainedTally), 0, 0.006)
}

// A reading of 0.25 between marks 0.4 L apart, in the middle of the window, is half
// a distance below the aim of 0.75: 0.2 L there and a little less at 20 °C.
func TestTopUpFromTheDipstick(t *testing.T) {
	spec := aJob()
	spec.BetweenMarksL = 0.4
	r := started(t, twoScales(), spec, Checking)
	if _, _, ok, _ := r.s.TopUp(); ok {
		t.Error("there is an amount without a reading")
	}
	r.warm(40)
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterDipstick, Share: 0.25}})
	litres, u, ok, err := r.s.TopUp()
	if !ok || err != nil {
		t.Fatal(ok, err)
	}
	near(t, "top up", litres, 0.2*0.984, 0.002)
	near(t, "its U", u, 2*0.1/math.Sqrt(3)*0.4*0.984, 0.001)
	r.warm(20)
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterDipstick, Share: 0.25}})
	if _, _, ok, err := r.s.TopUp(); ok || err == nil || !strings.Contains(err.Error(), "total_l") {
		t.Errorf("a reading at 20 °C without the capacity: %v %v", ok, err)
	}
}

// A calibration during a job changes the weight of the same load, which must not
// count as fluid.
func TestCalibrationDuringAJobMovesNothing(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(40, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	before := r.shown(DrainedTally)
	calibrated := twoScales()
	calibrated.Scales[0].Calibration = &ScaleCalibration{Slope: 1.02, SlopeU: 0.0002, LightestKg: 1, Passed: true,
		AtNs: r.atNs, DueNs: r.atNs + nsPerYear}
	r.do(Input{Do: DoStart, Setup: calibrated})
	r.scene(6, nil, nil, nil)
	if len(r.s.Job.Steps) != 0 {
		t.Errorf("steps %+v", r.s.Job.Steps)
	}
	near(t, "drained", r.shown(DrainedTally), before, 0.005)
}
