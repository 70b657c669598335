package fillcalc

import (
	"fmt"
	"slices"
	"testing"
)

// A pour that ends in the second in which a hand takes something. What belongs to the hand and
// what to the pour is known within U (GUM 6.2.1, k = 2): the pour is counted up to where the
// hand began. That is exact for most pours; a stream near max_flow_kg_s may remain
// with the change, and is then asked about.
func TestHandRightAfterAPour(t *testing.T) {
	for _, kgS := range []float64{0.03, 0.08, 0.12} {
		for _, pourS := range []float64{0.5, 1, 2, 4} {
			t.Run(fmt.Sprintf("%g kg/s for %g s", kgS, pourS), func(t *testing.T) {
				r := started(t, twoScales(), aJob(), Filling)
				r.rest(6)
				r.onSupply(0.45)
				r.scene(5, nil, during(5-pourS, 5, kgS), nil)
				r.onSupply(-0.45)
				v := r.s.Volumes()
				near(t, "added", r.shown(AddedTally), kgS*pourS, v.AddedUL*0.85)
				if asked := v.AddedUL > 0.02; asked && kgS < 0.1 && pourS >= 1 {
					t.Errorf("U is %.3f L: %+v", v.AddedUL, r.s.Job.Changes)
				}
			})
		}
	}
}

// Somebody pours and then fills the supply slowly from another container: what was poured
// before the signal turned is counted.
func TestPourBeforeASlowRefill(t *testing.T) {
	r := started(t, twoScales(), aJob(), Filling)
	r.rest(6)
	r.scene(14, nil, plus(during(2, 4, 0.05), during(4, 14, -0.06)), nil)
	r.rest(8)
	r.clear()
	if len(r.s.Job.Changes) != 1 {
		t.Fatalf("%+v", r.s.Job.Changes)
	}
	r.answer(1, AsContainer)
	near(t, "added", r.shown(AddedTally), 0.1, 0.012)
}

// Somebody takes a bottle from the supply's scale and at once puts down full ones: the bottle
// that went did not run into the transmission.
func TestBottleTakenJustBeforeFullOnesCome(t *testing.T) {
	spec := aJob()
	spec.BottleL = 1
	r := started(t, twoScales(), spec, Filling)
	r.rest(6)
	take, put := during(4, 4.1, 10*fullKg), during(5.5, 5.6, -60*fullKg)
	r.scene(12, nil, plus(take, put), nil)
	r.rest(8)
	near(t, "added", r.shown(AddedTally), 0, 0.008)
	if got := r.labels(); !slices.Equal(got, []Label{AsContainer}) {
		t.Errorf("labels %q: %+v", got, r.s.Job.Changes)
	}
}

// fillingByBottles is a job in which two litres have drained, and which is filled from bottles.
func fillingByBottles(t *testing.T) *rig {
	t.Helper()
	spec := aJob()
	spec.BottleL = 1
	r := started(t, twoScales(), spec, Draining)
	r.scene(45, during(2, 42, 0.05), nil, nil)
	r.phase(Filling)
	return r
}

// An empty bottle that comes back while the scale sways more than it weighs, so that nobody sees
// it: what it held may be in. Whether it is still in the hand only the person knows, so the
// instruction says what to do in both cases, however long it takes.
func TestBottleThatComesBackUnseen(t *testing.T) {
	r := fillingByBottles(t)
	r.onSupply(-fullKg)
	for range 4 {
		i := slices.IndexFunc(r.s.Next(), func(a Ask) bool { return a.Key == "ask.pour_hand" })
		if i < 0 {
			t.Fatalf("%+v", r.s.Next())
		}
		ask := r.s.Next()[i]
		near(t, "in the hand", ask.Figures["hand_l"], 1.05, 0.1)
		if ask.Do != DoClear || ask.Figures["pour_l"] > ask.Figures["hand_l"] {
			t.Errorf("%+v", ask)
		}
		r.rest(40)
	}
	r.clear()
	if got := r.says(); len(r.asked()) != 1 || slices.Contains(got, "ask.pour") || slices.Contains(got, "ask.pour_hand") {
		t.Errorf("after a clear weighing: %q, asked %d", got, r.asked())
	}
}

// The same where more is to be poured because the level was judged low.
func TestBottleThatComesBackUnseenAtTheCheck(t *testing.T) {
	r := fillingByBottles(t)
	r.scene(45, nil, during(2, 42, 0.05), nil)
	r.phase(Running)
	r.phase(Checking)
	r.report(Record{Item: LevelAfter, Result: Low})
	if got := r.says(); !slices.Contains(got, "ask.judged_low") {
		t.Fatalf("a low level: %q", got)
	}
	r.onSupply(-fullKg)
	if got := r.says(); !slices.Contains(got, "ask.pour_hand") || slices.Contains(got, "ask.judged_low") {
		t.Errorf("a bottle in the hand, or in: %q", got)
	}
}

// A bottle that is put back half full in the moment in which the next one is taken leaves open
// how much of the first is in. Nobody is told to pour as if none were: weigh first, and then a
// question.
func TestNobodyPoursOnWhileALitreIsNotKnown(t *testing.T) {
	r := fillingByBottles(t)
	r.onSupply(-fullKg)
	if got := r.says(); slices.Contains(got, "ask.weigh_first") || !slices.Contains(got, "ask.pour_hand") {
		t.Errorf("a bottle in the hand: %q", got)
	}
	r.onSupply(0.12 - fullKg)
	r.onSupply(0.12)
	if got := r.says(); !slices.Contains(got, "ask.weigh_first") || slices.Contains(got, "ask.pour") {
		t.Errorf("before a clear weighing: %q, %+v", got, r.labels())
	}
	r.clear()
	if got := r.says(); len(r.asked()) == 0 || slices.Contains(got, "ask.pour") || slices.Contains(got, "ask.weigh_first") {
		t.Errorf("after it: %q, asked %d", got, r.asked())
	}
}
