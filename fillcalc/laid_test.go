package fillcalc

import (
	"slices"
	"testing"
)

// laidBefore is a tool of 0.2 kg beside the supply before the filling, and a litre
// poured.
func laidBefore(t *testing.T) *rig {
	r := started(t, twoScales(), aJob(), Service)
	r.supplyKg += 0.2
	r.scene(8, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(10, nil, during(0, 10, 0.1), nil)
	r.scene(6, nil, nil, nil)
	return r
}

func (r *rig) checking() {
	r.do(Input{Do: DoPhase, Phase: Checking, Why: "only a test"})
	r.scene(2, nil, nil, nil)
}

// answer settles what was laid before.
func (r *rig) answer(sensor string, tool bool, hid Unseen) {
	r.t.Helper()
	in := Input{Do: DoCleared, Sensor: sensor, Before: &tool, Unseen: hid}
	if err := Check(&r.s, &in); err != nil {
		r.t.Errorf("%v", err)
	}
	r.do(in)
}

func (r *rig) asked(before bool) *Ask {
	next := r.s.Next()
	if i := slices.IndexFunc(next, func(a Ask) bool { return a.Do == DoCleared && a.Before == before }); i >= 0 {
		return &next[i]
	}
	return nil
}

// What was laid beside the supply before it counted, and went in the end of a pour,
// shows nowhere; a person is asked, and says so.
func TestLaidBeforeAndGoneUnnoticed(t *testing.T) {
	r := started(t, twoScales(), aJob(), Service)
	r.supplyKg += 0.2
	r.scene(8, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(12, nil, during(0, 12, 0.1), nil) // the last two seconds are the tool
	r.scene(10, nil, nil, nil)
	near(t, "added", r.shown(AddedTally), 1.2, 0.02)
	near(t, "laid before", r.s.LaidBeforeKg("supply"), 0.2, 0.01)
	r.do(Input{Do: DoPhase, Phase: Checking, Why: "only a test"})
	if r.asked(true) == nil || !hasRemark(&r.s, "objects") {
		t.Errorf("asked %+v, remarks %+v", r.s.Next(), r.s.Remarks())
	}
	asIs := r.s
	yes, no := true, false
	r.do(Input{Do: DoCleared, Sensor: "supply"}) // says nothing of it
	if r.asked(true) == nil {
		t.Error("not asked any more")
	}
	r.do(Input{Do: DoCleared, Sensor: "supply", Before: &no})
	near(t, "added, cleared", r.shown(AddedTally), 1.2, 0.02)
	if r.asked(true) != nil || hasRemark(&r.s, "objects") {
		t.Errorf("asked %+v, remarks %+v", r.s.Next(), r.s.Remarks())
	}
	r.s = asIs
	r.do(Input{Do: DoCleared, Sensor: "supply", Before: &yes})
	near(t, "added, cleared with what was before", r.shown(AddedTally), 1.0, 0.02)
	if r.asked(true) != nil || hasRemark(&r.s, "objects") {
		t.Errorf("asked %+v, remarks %+v", r.s.Next(), r.s.Remarks())
	}
	r.refused(Input{Do: DoCleared, Sensor: "supply", Before: &yes}, "before: no object")
}

// A container is too heavy to go unnoticed, and several tools that go at once are
// gone.
func TestNothingLaidBefore(t *testing.T) {
	for name, kg := range map[string][]float64{"a container": {3}, "two that go at once": {0.2, 0.3, -0.5}, "one that goes": {0.2, -0.2}} {
		r := started(t, twoScales(), aJob(), Service)
		for _, kg := range kg {
			r.supplyKg += kg
			r.scene(8, nil, nil, nil)
		}
		r.do(Input{Do: DoPhase, Phase: Filling})
		r.scene(5, nil, nil, nil)
		if kg := r.s.LaidBeforeKg("supply"); kg != 0 {
			t.Errorf("%s: %.3f kg laid before", name, kg)
		}
	}
}

// A tool that is taken off because the job asks must have settled before anybody
// can say so: it goes by its own weight then.
func TestLaidBeforeTakenWhenAsked(t *testing.T) {
	r := laidBefore(t)
	r.checking()
	if r.asked(true) == nil {
		t.Fatalf("asked %+v", r.s.Next())
	}
	r.supplyKg -= 0.2
	r.scene(1, nil, nil, nil)
	yes := true
	r.refused(Input{Do: DoCleared, Sensor: "supply", Before: &yes}, "not settled")
	r.scene(8, nil, nil, nil)
	if ask := r.asked(true); ask != nil || r.s.Job.Steps[0].As != AsBefore {
		t.Errorf("asked %+v, steps %+v", ask, r.s.Job.Steps)
	}
	near(t, "added", r.shown(AddedTally), 1, 0.02)
}

// A canister is lifted and put back beside a tool while nobody counts: the tool is
// still known by its weight, but nobody is asked about what may have gone too.
func TestLaidBesideALiftedCanister(t *testing.T) {
	r := started(t, twoScales(), aJob(), Service)
	for _, kg := range []float64{0.2, -6, 6} {
		r.supplyKg += kg
		r.scene(8, nil, nil, nil)
	}
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(10, nil, during(0, 10, 0.1), nil)
	r.scene(6, nil, nil, nil)
	if kg := r.s.LaidBeforeKg("supply"); kg != 0 {
		t.Errorf("%.3f kg are asked about", kg)
	}
	r.supplyKg -= 0.2
	r.scene(8, nil, nil, nil)
	if step := r.s.Job.Steps[0]; step.As != AsBefore {
		t.Errorf("step %+v", step)
	}
	near(t, "added", r.shown(AddedTally), 1, 0.02)
}

// Two that were laid before and go together, by a person's word, are gone.
func TestTwoLaidBeforeGoTogether(t *testing.T) {
	r := started(t, twoScales(), aJob(), Ready)
	for _, kg := range []float64{0.2, 0.3} {
		r.caddyKg += kg
		r.scene(8, nil, nil, nil)
	}
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.scene(20, steady(0.05), nil, nil)
	r.caddyKg -= 0.5
	r.scene(8, nil, nil, nil)
	r.decided(AsBefore)
	r.checking()
	if ask := r.asked(true); ask != nil {
		t.Errorf("asked %+v", ask)
	}
	near(t, "drained", r.shown(DrainedTally), 1, 0.02)
}

// Each of two questions about one scale has its own answer.
func TestLaidBeforeAndToolLies(t *testing.T) {
	r := laidBefore(t)
	r.supplyKg += 0.4
	r.scene(8, nil, nil, nil)
	r.decided(AsObject)
	r.checking()
	r.answer("supply", false, "")
	near(t, "added, the tool lies there still", r.shown(AddedTally), 1, 0.02)
	if r.asked(true) != nil || r.asked(false) == nil {
		t.Errorf("asked %+v", r.s.Next())
	}
	r.supplyKg -= 0.4
	r.scene(8, nil, nil, nil)
	near(t, "added, and is gone", r.shown(AddedTally), 1, 0.02)
	if r.asked(false) != nil {
		t.Errorf("asked %+v", r.s.Next())
	}
}

// On one scale what was laid before may go in either stream, or with a container.
func TestLaidBeforeOnOneScale(t *testing.T) {
	for _, in := range []Unseen{InDraining, InFilling, InSwap} {
		r := started(t, oneScale(), aJob(), Ready)
		r.caddyKg += 0.2
		r.scene(8, nil, nil, nil)
		r.do(Input{Do: DoPhase, Phase: Draining})
		drainKgS, pourKgS := 0.05, 0.1
		switch in { // it goes so slowly that it passes for fluid
		case InDraining:
			drainKgS -= 0.2 / 20
		case InFilling:
			pourKgS += 0.2 / 15
		}
		r.scene(20, steady(drainKgS), nil, nil)
		r.scene(4, nil, nil, nil)
		r.do(Input{Do: DoPhase, Phase: Filling})
		r.scene(6, nil, nil, nil)
		if in == InSwap {
			r.supplyKg -= 3 + 0.2
			r.scene(8, nil, nil, nil)
			r.decided(AsSwap)
		}
		r.scene(15, nil, steady(pourKgS), nil)
		r.scene(6, nil, nil, nil)
		r.checking()
		want := []Unseen{InDraining, InFilling}
		if in == InSwap {
			want = append(want, InSwap)
		}
		if ask := r.asked(true); ask == nil || !slices.Equal(ask.Unseen, want) {
			t.Errorf("asked %+v", r.s.Next())
		}
		r.answer(r.s.Scales[0].Setup.Sensor, true, in)
		near(t, "drained, gone in "+string(in), r.shown(DrainedTally), 1, 0.02)
		near(t, "added, gone in "+string(in), r.shown(AddedTally), 1.5, 0.02)
	}
}

// What went before a baseline is in no tally; nobody knows whether it did.
func TestLaidBeforeABaseline(t *testing.T) {
	r := started(t, twoScales(), aJob(), Ready)
	r.caddyKg += 0.2
	r.scene(8, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.scene(6, steady(0.05-0.2/6), nil, nil)
	r.do(Input{Do: DoBaseline})
	r.scene(10, steady(0.05), nil, nil)
	r.scene(3, nil, nil, nil)
	r.checking()
	if ask := r.asked(true); ask != nil {
		t.Errorf("asked %+v", ask)
	}
	near(t, "drained", r.shown(DrainedTally), 0.5, 0.02)
	if u := r.s.Volumes().DrainedUL; !(u > 0.003) {
		t.Errorf("U of %.4f L after a baseline", u)
	}
}

// A doubt that nobody settled stays on the record of the closed job.
func TestLaidBeforeStaysOnRecord(t *testing.T) {
	r := laidBefore(t)
	r.checking()
	r.scene(6, nil, nil, nil)
	r.do(Input{Do: DoClose})
	r.supplyKg -= 0.2
	r.scene(8, nil, nil, nil)
	if r.s.Job.Phase != Closed || !hasRemark(&r.s, "objects") {
		t.Errorf("%s: remarks %+v", r.s.Job.Phase, r.s.Remarks())
	}
}

// What was cleared once is no pair that could hide another object.
func TestClearedIsNoPair(t *testing.T) {
	r := started(t, oneScale(), aJob(), Draining)
	sensor := r.s.Scales[0].Setup.Sensor
	r.caddyKg += 0.2
	r.scene(8, nil, nil, nil)
	r.decided(AsObject)
	r.scene(20, steady(0.05-0.2/20), nil, nil) // it goes unseen
	r.scene(6, nil, nil, nil)
	r.do(Input{Do: DoCleared, Sensor: sensor})
	near(t, "drained", r.shown(DrainedTally), 1, 0.02)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(20, nil, steady(0.1-0.2/20), nil) // another comes unseen
	r.scene(6, nil, nil, nil)
	r.caddyKg -= 0.2
	r.scene(8, nil, nil, nil)
	r.decided(AsObject)
	r.do(Input{Do: DoCleared, Sensor: sensor})
	near(t, "drained", r.shown(DrainedTally), 1, 0.02)
	near(t, "added", r.shown(AddedTally), 2, 0.02)
}

// A baseline before anything was laid down hides nothing that comes after it.
func TestLaidAfterABaseline(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.do(Input{Do: DoBaseline})
	r.supplyKg += 0.2
	r.scene(8, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(10, nil, during(0, 10, 0.12), nil) // a part of it goes with the stream
	r.scene(6, nil, nil, nil)
	r.checking()
	if r.asked(true) == nil {
		t.Fatalf("asked %+v", r.s.Next())
	}
	r.answer("supply", true, "")
	near(t, "added", r.shown(AddedTally), 1, 0.02)
}

// Two things that were laid down as one are known by their sum: of one that goes
// the rest stays. So it is where another one was laid down in the same moment.
func TestLaidAsOne(t *testing.T) {
	for name, changesKg := range map[string][3]float64{
		"one of two goes":         {1.4, -0.96, -0.44},
		"another one in exchange": {1.15, -0.22, -0.93},
	} {
		r := started(t, twoScales(), aJob(), Service)
		r.supplyKg += changesKg[0]
		r.scene(8, nil, nil, nil)
		r.do(Input{Do: DoPhase, Phase: Filling})
		r.scene(5, nil, nil, nil)
		r.supplyKg += changesKg[1]
		r.scene(8, nil, nil, nil)
		r.decided(AsBefore)
		r.scene(10, nil, during(0, 10, 0.1), nil)
		r.scene(4, nil, nil, nil)
		r.supplyKg += changesKg[2]
		r.scene(8, nil, nil, nil)
		if step := r.s.Job.Steps[1]; step.As != AsBefore || step.By != BySignal {
			t.Errorf("%s: %+v", name, step)
		}
		near(t, name+": added", r.shown(AddedTally), 1, 0.02)
	}
}
