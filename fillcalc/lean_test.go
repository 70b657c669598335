package fillcalc

import "testing"

// Where fluid is poured, a push shows its beginning, which goes the wrong way; its
// end looks like what is poured. A person's word settles both, whether it comes
// before the end or after.
func TestLeanWhilePouring(t *testing.T) {
	for _, late := range []bool{false, true} {
		r := started(t, oneScale(), aJob(), Filling)
		r.scene(10, nil, steady(0.05), nil)
		r.scene(14, nil, nil, ramp(0, 10, 0.8))
		if !late {
			r.decided(AsLean)
		}
		r.scene(14, nil, steady(0.03), func(s float64) float64 { return 0.8 - ramp(2, 10, 0.8)(s) })
		if late {
			r.decided(AsLean)
		}
		r.scene(10, nil, steady(0.05), nil)
		r.scene(8, nil, nil, nil)
		near(t, "added", r.shown(AddedTally), 1.42, 0.03)
		near(t, "drained", r.shown(DrainedTally), 0, 0.03)
	}
}

// The end may be held after all: a person has said of the beginning what it was,
// and the signal joins the two.
func TestLeanThatEndsSuddenly(t *testing.T) {
	r := started(t, oneScale(), aJob(), Filling)
	r.scene(14, nil, nil, ramp(0, 10, 0.8))
	r.decided(AsLean)
	r.scene(10, nil, nil, nil)
	if end := r.s.Job.Steps[1]; end.As != AsLean || end.By != BySignal || end.With != 1 {
		t.Errorf("%+v", end)
	}
	near(t, "added", r.shown(AddedTally), 0, 0.02)
}

// A push that begins in service passes for fluid that drains; it ends while
// fluid is poured.
func TestLeanAcrossPhases(t *testing.T) {
	r := started(t, oneScale(), aJob(), Service)
	r.scene(20, nil, nil, ramp(0, 16, 0.8))
	near(t, "drained, leaning", r.shown(DrainedTally), 0.8, 0.02)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(3, nil, nil, steady(0.8))
	r.scene(10, nil, nil, nil)
	r.decided(AsLean)
	near(t, "drained", r.shown(DrainedTally), 0, 0.02)
	near(t, "added", r.shown(AddedTally), 0, 0.02)
}

// A push may come in parts, and a person may speak of them in any order.
func TestLeanInParts(t *testing.T) {
	for _, order := range [][]int{{1, 2, 3}, {3, 2, 1}, {1, 3, 2}} {
		r := started(t, twoScales(), aJob(), Draining)
		r.scene(8, nil, nil, steady(0.5))
		r.scene(8, nil, nil, steady(1.2))
		r.scene(10, nil, nil, nil)
		for _, id := range order {
			if r.s.Job.Steps[id-1].As == "" {
				r.do(Input{Do: DoDecide, Step: id, As: AsLean})
			}
		}
		near(t, "drained", r.shown(DrainedTally), 0, 0.03)
	}
}

// No fluid leaves a caddy: what goes down as evenly as a stream is held.
func TestStreamAgainstDirection(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(10, nil, nil, steady(0.6))
	r.decided(AsLean)
	r.scene(14, nil, nil, func(s float64) float64 { return 0.6 - ramp(0, 4, 0.6)(s) })
	near(t, "drained", r.shown(DrainedTally), 0, 0.02)
	if n := len(r.s.Job.Steps); n != 2 || r.s.Job.Steps[1].Kg > -0.57 {
		t.Errorf("steps %+v", r.s.Job.Steps)
	}
}

// A push that came as slowly as fluid ends while a tool lies there that weighs the
// same: the level tells of the push, the weight of the tool, and a person which.
func TestPushBesideToolOfItsWeight(t *testing.T) {
	r := started(t, twoScales(), aJob(), Filling)
	r.caddyKg += 0.8
	r.scene(10, nil, nil, nil)
	r.decided(AsObject)
	r.scene(20, nil, nil, ramp(2, 14, 0.8))
	r.scene(10, nil, nil, nil)
	if step := r.s.Job.Steps[1]; step.As != "" {
		t.Fatalf("step %+v", step)
	}
	r.decided(AsLean)
	r.caddyKg -= 0.8
	r.scene(10, nil, nil, nil)
	if step := r.s.Job.Steps[2]; step.As != AsObject || step.With != 1 {
		t.Errorf("step %+v", step)
	}
	near(t, "drained", r.shown(DrainedTally), 0, 0.02)
}

// A push as slow as the streams on both sides of the change to filling, on one scale:
// it is taken out of both accounts, and asked about unless a part of it was held.
func TestPushThroughTheChangeToFilling(t *testing.T) {
	for _, c := range []struct {
		as       Decision
		fluidKg  float64
		bySignal bool
	}{{AsLean, 0, false}, {AsFluid, 0.8, false}, {"", 0, true}} {
		r := started(t, oneScale(), aJob(), Draining)
		r.scene(20, steady(0.05), nil, nil)
		r.scene(8, nil, nil, nil)
		r.scene(10, steady(0.08), nil, nil) // the push
		r.scene(8, nil, nil, nil)
		if c.bySignal {
			r.scene(5, nil, steady(0.08), nil)
			r.do(Input{Do: DoPhase, Phase: Filling})
			r.scene(5, nil, steady(0.08), nil)
		} else {
			r.do(Input{Do: DoPhase, Phase: Filling})
			r.scene(10, nil, steady(0.08), nil)
		}
		r.scene(8, nil, nil, nil)
		near(t, "drained", r.shown(DrainedTally), 1, 0.03)
		near(t, "added", r.shown(AddedTally), 0, 0.03)
		if len(r.s.Job.Steps) != 1 {
			t.Fatalf("steps %+v", r.s.Job.Steps)
		}
		if step := r.s.Job.Steps[0]; c.bySignal != (step.By == BySignal) {
			t.Errorf("step %+v", step)
		}
		if c.as != "" {
			r.decided(c.as)
		}
		r.scene(10, nil, steady(0.05), nil)
		r.scene(6, nil, nil, nil)
		near(t, "drained, "+string(c.as), r.shown(DrainedTally), 1+c.fluidKg, 0.03)
		near(t, "added, "+string(c.as), r.shown(AddedTally), 0.5+c.fluidKg, 0.03)
	}
}
