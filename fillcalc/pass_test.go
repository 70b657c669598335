package fillcalc

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
)

// A service in two passes: 3.4 kg (4.00 L) out and about as much in, the engine runs, and the
// same again. The transmission holds 9.5 L. By hand: 1 - 3.99/9.5 = 0.580 of the old fluid is
// left after the first pass, and 0.580² = 0.336 after the second.
func TestTwoPasses(t *testing.T) {
	bottles := twoScales()
	bottles.Scales = bottles.Scales[:1]
	for name, setup := range map[string]*Setup{"two scales": twoScales(), "one scale": oneScale(), "bottles": bottles} {
		spec := aJob()
		spec.TotalL, spec.TypicalL = 9.5, 4
		r := started(t, setup, spec, Ready)
		fill := func(kg float64) {
			if name == "bottles" {
				r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterBottle, L: kg / 0.8427, Share: 1}})
				return
			}
			r.scene(kg/0.05, nil, steady(0.05), nil)
			r.rest(8)
		}
		drain := func() {
			r.do(Input{Do: DoPhase, Phase: Draining})
			r.rest(2)
			r.scene(68, steady(0.05), nil, nil)
			for _, phase := range []Phase{Service, Filling} {
				r.rest(6)
				r.settled(Input{Do: DoPhase, Phase: phase})
			}
			r.rest(6)
		}
		drain()
		first := r.plan()
		near(t, name+": target", first.TargetL, 4, 0.03)
		fill(3.35)
		r.do(Input{Do: DoPhase, Phase: Running})
		r.do(Input{Do: DoGear, Gear: AllGears})
		r.rest(40)
		again := r.s.Next()[len(r.s.Next())-1]
		if again.Key != "ask.drain_again" || again.Phase != Draining {
			t.Errorf("%s: asked %q in the end", name, r.keys())
		}
		near(t, name+": old fluid left, %", again.Figures["old_left_pct"], 58, 0.5)
		r.do(Input{Do: DoPhase, Phase: Checking})
		r.do(Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: Right}})
		missingL := r.plan().RemainingL
		drain()
		if slices.ContainsFunc(r.s.Remarks(), func(m Text) bool { return m.Key == "remark.back" }) {
			t.Errorf("%s: the second pass is remarked as out of order", name)
		}
		if r.s.Job.recorded(LevelAfter) != nil || r.s.Job.Corrected(0) {
			t.Errorf("%s: the level of the first pass still counts, or is corrected", name)
		}
		// What is poured now is asked for as in the first pass, and the guard holds again.
		p := r.plan()
		near(t, name+": target of the second pass", p.TargetL, first.TargetL+missingL, 0.03)
		near(t, name+": its first fill", p.RemainingL, 0.8*p.TargetL-p.InL, 1e-9)
		near(t, name+": in of it", p.InL, 0, 0.02)
		r.refused(Input{Do: DoPhase, Phase: Running}, "refuse.too_little_in")
		r.refused(Input{Do: DoBaseline}, "do: refuse.baseline")
		if len(p.Notes) > 0 {
			t.Errorf("%s: notes %+v", name, p.Notes)
		}
		if name != "bottles" {
			fill(3.0)
			r.wantFirst(name+", the first fill is in", "ask.engine", ToneDo)
			fill(0.35)
		} else {
			fill(3.35)
		}
		list := r.s.Passes()
		if len(list) != 2 {
			t.Fatalf("%s: passes %+v", name, list)
		}
		for i, pass := range list {
			near(t, name+": out", pass.OutL, 3.4*1.0013/0.8549, 0.03)
			near(t, name+": in", pass.AddedL, 3.35*1.0013/0.8429, 0.03)
			near(t, name+": old left", pass.OldLeft, math.Pow(1-3.4*1.0013/0.8549/9.5, float64(i+1)), 0.005)
		}
		near(t, name+": the second, by hand", list[1].OldLeft, 0.336, 0.005)
		v := r.s.Volumes()
		near(t, name+": both make the whole", list[0].OutL+list[1].OutL, v.DrainedL, 1e-9)
		near(t, name+": and of what went in", list[0].AddedL+list[1].AddedL, v.AddedL, 1e-9)
		whole, _ := r.s.WholePlan()
		near(t, name+": balance", whole.RemainingL, whole.BeforeL+whole.TargetL-v.AddedL, 1e-9)
	}
}

// What was spilled belongs to the pass in which it was entered. Without the capacity nothing is
// said about what is left.
func TestPassesWithSpilledFluidAndWithoutCapacity(t *testing.T) {
	spec := aJob()
	r := drained(t, twoScales(), spec)
	if list := r.s.Passes(); list != nil {
		t.Errorf("passes without the capacity: %+v", list)
	}
	r.s.Job.Spec.TotalL = 9
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterSpilled, L: 0.5}})
	near(t, "out", r.s.Passes()[0].OutL, 3*1.0013/0.8549+0.5, 0.02)
	near(t, "left", r.s.Passes()[0].OldLeft, 1-(3*1.0013/0.8549+0.5)/9, 0.003)
}

// The pan leaked: it is drained again before the engine has run. That is the same pass, and
// nobody knows what came out.
func TestDrainedAgainWithoutTheEngine(t *testing.T) {
	spec := aJob()
	spec.TotalL = 9
	r := drained(t, twoScales(), spec)
	r.scene(30, nil, steady(0.05), nil)
	r.rest(6)
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.scene(20, steady(0.05), nil, nil)
	r.rest(6)
	if list := r.s.Passes(); len(list) != 1 || !math.IsNaN(list[0].OldLeft) {
		t.Errorf("passes %+v", list)
	}
	if _, ok := r.s.drainAgain(); ok {
		t.Error("another pass is offered")
	}
}

// Service data that ask for two passes lead to the second drain instead of to the level, and the
// job is not closed before it without a question.
func TestPassesAreLed(t *testing.T) {
	spec := aJob()
	spec.TotalL, spec.Passes = 9.5, 2
	r := started(t, twoScales(), spec, Ready)
	pass := func() {
		r.do(Input{Do: DoPhase, Phase: Draining})
		r.scene(68, steady(0.05), nil, nil)
		r.rest(6)
		r.settled(Input{Do: DoPhase, Phase: Filling})
		r.scene(68, nil, steady(0.05), nil)
		r.rest(8)
		r.do(Input{Do: DoPhase, Phase: Running})
		r.do(Input{Do: DoGear, Gear: AllGears})
		r.do(Input{Do: DoRecord, Record: &Record{Item: Leaks, Result: Done}})
		r.rest(40)
	}
	pass()
	next := r.s.Next()
	if last := next[len(next)-1]; last.Key != "ask.next_pass" || last.Phase != Draining || last.Figures["pass"] != 1 || last.Figures["passes"] != 2 {
		t.Errorf("after the first pass: %q, %+v", r.keys(), last)
	}
	var asked *Refusal
	if err := r.s.CloseLacks(); !errors.As(err, &asked) || !strings.Contains(asked.Names["lack"], "passes") {
		t.Errorf("closed after the first pass: %+v", asked)
	}
	pass()
	if keys := r.keys(); slices.Contains(keys, "ask.next_pass") || slices.Contains(keys, "ask.drain_again") {
		t.Errorf("after the second pass: %q", keys)
	}
	spec.Passes = MaxPasses + 1
	if err := spec.check(20); err == nil {
		t.Error("more passes than anybody drains")
	}
}
