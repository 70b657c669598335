package fillcalc

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

func TestCloseNeedsReadableScales(t *testing.T) {
	for name, c := range map[string]struct {
		happens func(r *rig)
		want    string
	}{
		"silent":     {func(r *rig) { r.atNs += 5e9; r.do(Input{Do: DoTick}) }, "refuse.fault"},
		"overloaded": {func(r *rig) { r.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultOverload}) }, "refuse.fault"},
		"damaged":    {func(r *rig) { r.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultChecksum}) }, "refuse.fault"},
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
	r.refused(Input{Do: DoClose}, "refuse.not_settled")

	// While fluid runs, and until the level has caught up with it.
	r = started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	runs := r.s.Runs()
	r.rest(0.3)
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
	r.refused(Input{Do: DoPhase, Phase: Draining}, "phase: refuse.not_heard")
}

func TestRefusedWhileAJobIsOpen(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(40, steady(0.05), nil, nil)
	r.rest(5)
	for _, c := range []struct {
		in   Input
		want string
	}{
		{Input{Do: DoOpen, Job: aJob()}, "do: refuse.job_open"},
		{Input{Do: DoPhase}, "phase: refuse.choice"},
		{Input{Do: DoPhase, Phase: Ready}, "phase: refuse.choice"},
		{Input{Do: DoPhase, Phase: Closed}, "phase: refuse.choice"},
		{Input{Do: DoPhase, Phase: Running}, "phase: refuse.too_little_in"},
		{Input{Do: DoAnswer, As: AsFluid}, "change: refuse.no_changes"},
		{Input{Do: DoClear, Sensor: "probe"}, "sensor: refuse.no_such_scale"},
		{Input{Do: DoEnter}, "what: is required"},
		{Input{Do: DoRecord}, "item: is required"},
		{Input{Do: DoWeigh, Weighing: &Weighing{Sensor: "caddy"}}, "sensor: refuse.scale_counts"},
	} {
		r.refused(c.in, c.want)
	}
	r.phase(Filling)
	r.do(Input{Do: DoPhase, Phase: Running, Why: "only a test"})
	r.refused(Input{Do: DoGear, Gear: "the long way"}, "gear: ")
	r.refused(Input{Do: DoBaseline}, "do: refuse.baseline")
	r.refused(Input{Do: DoPhase, Phase: Running}, "phase: refuse.is_phase")
	to, other := Checking, Running
	for len(r.s.Job.Phases) < maxEntries {
		r.do(Input{Do: DoPhase, Phase: to})
		to, other = other, to
	}
	r.refused(Input{Do: DoPhase, Phase: to}, "phase: refuse.many")
	r.settled(Input{Do: DoClose})
	r.refused(Input{Do: DoClose}, "do: refuse.no_job")
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

// An estimate is never exact: a quarter of it is its expanded uncertainty, unless one was given.
// What is taken back takes its uncertainty back.
func TestEstimateHasAnUncertainty(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	for _, c := range []struct {
		what        What
		l, uL, want float64 // want: the standard uncertainty of all so far
	}{
		{EnterSpilled, 1.6, 0, 0.2}, {EnterSpilled, 0.8, 0, 0.3}, {EnterSpilled, -0.8, 0, 0.2}, {EnterSpilled, -1.6, 0, 0},
		{EnterSpilled, 0.5, 0.01, 0.01}, {EnterRetained, 0.4, 0, 0.05},
	} {
		r.do(Input{Do: DoEnter, Entry: &Entry{What: c.what, L: c.l, UL: c.uL}})
		_, u2 := r.s.Job.entered(c.what)
		near(t, fmt.Sprint("u of ", c.l), math.Sqrt(u2), c.want, 1e-12)
	}
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterLevel, L: -0.4}})
	if e, _ := r.s.Job.last(EnterLevel); e.UL != 0.05 || !e.Assumed {
		t.Errorf("%+v", e)
	}
}

func TestEntriesMoveThePlan(t *testing.T) {
	spec := aJob()
	spec.BottleL = 1
	setup := twoScales()
	setup.Scales = setup.Scales[:1] // the supply is bottles
	r := started(t, setup, spec, Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(5)
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
		r.rest(11)
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
		{Entry{What: EnterSpilled, L: math.Inf(1)}, "l: "}, {Entry{What: EnterSpilled, L: -0.2}, "l: refuse.takes_off"},
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
		r.rest(5)
		r.do(Input{Do: DoPhase, Phase: Filling})
		for range 2 {
			r.rest(11)
			r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterBottle, L: 1, Share: 1}})
		}
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
	r.refused(Input{Do: DoOpen, Job: spec}, "fluid: refuse.other_fluid")
	spec.OtherFluid, spec.OtherFluidBy = "amber 6 is superseded by it", "somebody"
	r.do(Input{Do: DoOpen, Job: spec})
}

// A setup that changes during a job must not change the meaning of its litres.
func TestJobKeepsItsReferenceTemperature(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.rest(5)
	before := r.s.Volumes().DrainedL
	other := twoScales()
	other.ReferenceC = 15
	r.do(Input{Do: DoStart, Setup: other})
	r.rest(5)
	near(t, "drained", r.s.Volumes().DrainedL, before, 0.003)
	if r.s.Job.ReferenceC != 20 {
		t.Errorf("reference %g °C", r.s.Job.ReferenceC)
	}
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

// A calibration during a job changes the weight of the same load. That is no fluid; what was
// weighed before is corrected, too.
func TestCalibrationDuringAJob(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(40, steady(0.05), nil, nil)
	r.rest(5)
	r.onCaddy(0.5)
	before := r.shown(DrainedTally)
	calibrated := twoScales()
	calibrated.Scales[0].Calibration = &ScaleCalibration{Slope: 1.02, SlopeU: 0.0002, LightestKg: 1, Passed: true,
		AtNs: r.atNs, DueNs: r.atNs + nsPerYear}
	r.do(Input{Do: DoStart, Setup: calibrated})
	r.rest(6)
	near(t, "drained", r.shown(DrainedTally), 1.02*before, 0.006)
	if c := r.s.Job.Changes; len(c) != 1 || math.Abs(c[0].Kg-0.51) > 0.003 {
		t.Errorf("%+v", c)
	}
	r.onCaddy(-0.5)
	if got := r.labels(); !slices.Equal(got, []Label{AsGone, AsGone}) {
		t.Errorf("labels %q", got)
	}
	near(t, "drained", r.shown(DrainedTally), 1.02*before, 0.006)
}
