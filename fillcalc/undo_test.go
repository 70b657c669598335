package fillcalc

import (
	"encoding/json"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// undo takes back what was done last, after some seconds.
func (r *rig) undo(seconds float64) {
	r.t.Helper()
	r.rest(seconds)
	r.do(Input{Do: DoUndo})
}

// Somebody tapped "engine runs" too early and takes it back: the engine has not run, the gear
// that was tapped with it neither, and the guard is armed as before.
func TestPhaseIsTakenBack(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	r.scene(46, nil, steady(0.05), nil)
	r.rest(5)
	before := r.plan()
	r.do(Input{Do: DoPhase, Phase: Running, By: "Ada"})
	r.rest(2)
	r.do(Input{Do: DoGear, Gear: "R"})
	if what, _, ok := r.s.Undoable(); !ok || what.Key != "undo.phase" || what.Names["phase"] != "running" {
		t.Errorf("undoable: %+v", what)
	}
	r.undo(4)
	j := &r.s.Job
	if j.Phase != Filling || j.engineRan() || len(j.Gears) != 0 || len(r.remarks()) == 0 {
		t.Errorf("phase %s, engine ran %t, gears %+v", j.Phase, j.engineRan(), j.Gears)
	}
	for _, remark := range r.s.Remarks() {
		if remark.Key == "remark.back" {
			t.Errorf("remarked: %+v", remark)
		}
	}
	near(t, "to pour", r.plan().RemainingL, before.RemainingL, 0.001)
	if len(j.TakenBack) != 1 || j.TakenBack[0].Phase.Phase != Running || j.TakenBack[0].Phase.By != "Ada" {
		t.Errorf("taken back: %+v", j.TakenBack)
	}
	r.scene(2, nil, steady(0.05), nil) // and pouring goes on
	r.rest(5)
	near(t, "poured meanwhile", before.RemainingL-r.plan().RemainingL, 0.1/0.8427, 0.02)
}

// A wrong amount is taken back, but not two with a double tap, and not after ten seconds.
func TestUndoIsOneStepAndTenSeconds(t *testing.T) {
	r := started(t, twoScales(), aJob(), Service)
	spilled := func(litres float64) {
		r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterSpilled, L: litres}})
		r.rest(1)
	}
	r.rest(12)
	r.refused(Input{Do: DoUndo}, "do: refuse.nothing_to_undo")
	spilled(0.1)
	spilled(2)
	r.undo(1)
	r.refused(Input{Do: DoUndo}, "do: refuse.nothing_to_undo")
	if l, _ := r.s.Job.entered(EnterSpilled); l != 0.1 {
		t.Errorf("spilled %g L", l)
	}
	spilled(0.3)
	r.rest(9.1)
	r.refused(Input{Do: DoUndo}, "do: refuse.nothing_to_undo")
	if r.s.Undo != nil {
		t.Error("it is remembered for longer than it can be taken back")
	}
	r.do(Input{Do: DoRecord, Record: &Record{Item: Filter, Result: NotDone}})
	r.settled(Input{Do: DoClose})
	r.refused(Input{Do: DoUndo}, "do: refuse.no_job")
}

// Flushing was tapped by mistake: what runs out is lost again, not drained.
func TestFlushIsTakenBack(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	r.scene(15, steady(0.05), steady(0.05), nil)
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterFlush}})
	r.scene(4, steady(0.05), steady(0.05), nil)
	r.do(Input{Do: DoUndo})
	r.scene(4, steady(0.05), steady(0.05), nil)
	r.wantFirst("flushing was taken back", "ask.runs_out", ToneLost)
	r.rest(5)
	near(t, "lost", r.shown(OverflowTally), 23*0.05, 0.03)
}

// What is taken back leaves no trace: the state is as if it had never been, whatever happened
// before and meanwhile. And a snapshot in between loses nothing.
func TestTakenBackLeavesNoTrace(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := randomJob(rt, drawnSetup(rt), 10)
		in := rapid.SampledFrom([]Input{
			{Do: DoPhase, Phase: rapid.SampledFrom(phaseOrder[:]).Draw(rt, "to"), Why: "drawn"},
			{Do: DoRecord, Record: &Record{Item: Filter, Result: Done}},
			{Do: DoEnter, Entry: &Entry{What: EnterSpilled, L: 0.2}},
			{Do: DoEnter, Entry: &Entry{What: EnterFlush}},
		}).Draw(rt, "input")
		if Check(&r.s, &in) != nil {
			return
		}
		skip := len(r.events)
		r.do(in)
		r.caddyKg += rapid.SampledFrom([]float64{0, 0, 0.4, -1}).Draw(rt, "meanwhile")
		r.scene(rapid.Float64Range(0, 9).Draw(rt, "seconds"), steady(0.05), steady(rapid.SampledFrom([]float64{0, 0.05}).Draw(rt, "pour")), nil)
		kept, err := json.Marshal(r.s)
		var again State
		if err != nil || json.Unmarshal(kept, &again) != nil || !reflect.DeepEqual(again, r.s) {
			rt.Fatalf("a snapshot loses something: %v", err)
		}
		undo := len(r.events)
		r.do(Input{Do: DoUndo})
		r.rest(1)
		var want State
		for i, e := range r.events {
			if i == undo {
				e.Input = &Input{Do: DoTick}
			}
			if i != skip {
				want = Apply(want, e)
			}
		}
		got := r.s
		if len(got.Job.TakenBack) != len(want.Job.TakenBack)+1 {
			rt.Fatalf("taken back: %+v", got.Job.TakenBack)
		}
		got.Job.TakenBack = want.Job.TakenBack
		want.Undo, got.Undo = nil, nil // what came before may be taken back no more
		if !reflect.DeepEqual(got, want) {
			rt.Fatalf("%+v left a trace:\n%+v\n%+v", in, got, want)
		}
	})
}
