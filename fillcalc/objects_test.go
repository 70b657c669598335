package fillcalc

import (
	"math"
	"strings"
	"testing"
)

// decided says what the last step was.
func (r *rig) decided(as Decision) {
	r.t.Helper()
	r.do(Input{Do: DoDecide, Step: len(r.s.Job.Steps), As: as})
}

func (r *rig) cleared() { r.do(Input{Do: DoCleared, Sensor: r.s.Scales[0].Setup.Sensor}) }

// An object that comes as slowly as fluid is counted; when it goes, the job says
// that something does not add up, in words and in the uncertainty, until a person
// sees that nothing lies there.
func TestUnnoticedObject(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.scene(80, nil, nil, ramp(5, 13, 0.4)) // longer than anybody leans
	near(t, "drained", r.shown(DrainedTally), 1.4, 0.02)
	r.scene(10, nil, nil, nil)
	if n := len(r.s.Job.Steps); n != 1 || r.s.Job.Steps[0].As != "" {
		t.Fatalf("steps %+v", r.s.Job.Steps)
	}
	if err := Check(&r.s, &Input{Do: DoCleared, Sensor: "caddy"}); err == nil || !strings.Contains(err.Error(), "step 1") {
		t.Errorf("cleared while a step is undecided: %v", err)
	}
	r.decided(AsObject)
	near(t, "U of drained", r.s.Volumes().DrainedUL, 2*0.4/math.Sqrt(3)/r.s.Job.UsedKgM3*1000, 0.02)
	if next := r.s.Next()[0]; next.Do != DoCleared || next.Sensor != "caddy" || !strings.Contains(next.Text, "-0.40 kg") {
		t.Errorf("asked: %+v", next)
	}
	if !hasRemark(&r.s, "objects") {
		t.Error("no remark")
	}
	r.cleared()
	near(t, "drained, cleared", r.shown(DrainedTally), 1.0, 0.02)
	if u := r.s.Volumes().DrainedUL; u > 0.05 {
		t.Errorf("U %.3f L when all is explained", u)
	}
	if next := r.s.Next()[0]; next.Do == DoCleared || hasRemark(&r.s, "objects") {
		t.Errorf("still asked: %+v", next)
	}
	r.cleared() // again changes nothing
	near(t, "drained, cleared twice", r.shown(DrainedTally), 1.0, 0.02)
}

func hasRemark(s *State, kind string) bool {
	for _, r := range s.Remarks() {
		if r.Kind == kind {
			return true
		}
	}
	return false
}

// The other way about: seen to come, and gone as slowly as fluid that is poured.
func TestObjectGoneUnnoticed(t *testing.T) {
	r := started(t, oneScale(), aJob(), Filling)
	r.scene(10, nil, steady(0.05), nil)
	r.scene(10, nil, nil, steady(0.4))
	r.decided(AsObject)
	r.scene(20, nil, nil, func(s float64) float64 { return 0.4 - ramp(5, 13, 0.4)(s) })
	near(t, "added", r.shown(AddedTally), 0.9, 0.02)
	r.cleared()
	near(t, "added, cleared", r.shown(AddedTally), 0.5, 0.02)
}

// What lay there before the scale counted proves itself by its weight, and leaves
// the tally alone; a person can say so of what came before all.
func TestObjectFromBefore(t *testing.T) {
	r := started(t, twoScales(), aJob(), Ready)
	r.scene(6, nil, nil, steady(0.7))
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.scene(20, steady(0.05), nil, steady(0.7))
	r.scene(5, nil, nil, steady(0.7))
	r.scene(10, nil, nil, nil)
	near(t, "drained", r.shown(DrainedTally), 1.0, 0.02)
	if step := r.s.Job.Steps[0]; step.As != AsBefore || step.By != BySignal {
		t.Errorf("step %+v", step)
	}
	r.scene(10, nil, nil, steady(-0.5))
	r.decided(AsBefore)
	r.cleared()
	near(t, "drained", r.shown(DrainedTally), 1.0, 0.02)
	r.scene(10, nil, nil, steady(0.2))
	if err := Check(&r.s, &Input{Do: DoDecide, Step: 3, As: AsBefore}); err == nil {
		t.Error("what comes can have lain there before")
	}
}

// A pan leaves fluid behind, a tool does not: two tools that came as one.
func TestPanAndTools(t *testing.T) {
	for _, c := range []struct {
		as      Decision
		drained float64
	}{{AsPan, 0.3}, {AsObject, 0}} {
		r := started(t, oneScale(), aJob(), Filling)
		r.scene(10, nil, nil, steady(1.0))
		r.decided(c.as)
		r.scene(10, nil, nil, steady(0.3))
		r.decided(AsObject)
		near(t, string(c.as)+": drained", r.shown(DrainedTally), c.drained, 0.02)
		near(t, string(c.as)+": added", r.shown(AddedTally), 0, 0.02)
		if c.as == AsObject {
			r.scene(10, nil, nil, nil)
			near(t, "both gone: added", r.shown(AddedTally), 0, 0.02)
			if hasRemark(&r.s, "objects") {
				t.Error("both are gone and do not add up")
			}
		}
	}
}

// Where fluid goes away, a step down is no proof that an object went lighter.
func TestPourIsNoObject(t *testing.T) {
	r := started(t, oneScale(), aJob(), Filling)
	r.scene(10, nil, nil, steady(0.25))
	r.decided(AsObject)
	r.scene(1, nil, steady(0.16), steady(0.25))
	r.scene(8, nil, nil, steady(0.25))
	if step := r.s.Job.Steps[len(r.s.Job.Steps)-1]; step.ID == 2 && step.As != "" {
		t.Errorf("decided: %+v", step)
	}
	near(t, "drained", r.shown(DrainedTally), 0, 0.02)
}
