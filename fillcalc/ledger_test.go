package fillcalc

import (
	"math"
	"slices"
	"testing"
)

// With caddy and supply on one scale, the weighing at the phase filling divides what was
// drained from what was added.
func TestBothOnOneScale(t *testing.T) {
	r := started(t, oneScale(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(5)
	r.phase(Service)
	r.scene(20, steady(0.01), nil, nil) // out of the filter
	r.rest(5)
	r.phase(Filling)
	near(t, "drained", r.shown(DrainedTally), 3.2, 0.006)
	near(t, "nothing added yet", r.shown(AddedTally), 0, 0.006)
	r.scene(50, nil, steady(0.05), nil)
	r.rest(6)
	near(t, "drained stays", r.shown(DrainedTally), 3.2, 0.012)
	near(t, "added", r.shown(AddedTally), 2.5, 0.012)
	r.phase(Running)
	r.phase(Checking)
	r.scene(20, nil, steady(0.03), nil)
	r.rest(6)
	near(t, "added with the top up", r.shown(AddedTally), 3.1, 0.012)
	if marks := r.s.Job.Ledgers[0].MarkN; marks != 2 || len(r.s.Job.Changes) > 0 {
		t.Errorf("%d weighings, changes %+v", marks, r.s.Job.Changes)
	}
}

// The same with two scales: each has its own weighing, and the supply's begins at the phase
// filling, whatever was done to it before.
func TestSupplyCountsFromFilling(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), steady(0.05), nil) // somebody fills a jug
	r.rest(5)
	r.phase(Service)
	r.onSupply(2.5)
	r.onSupply(0.2) // a tool
	r.phase(Filling)
	near(t, "added", r.shown(AddedTally), 0, 0.004)
	r.scene(20, nil, steady(0.05), nil)
	r.rest(5)
	near(t, "added", r.shown(AddedTally), 1, 0.004)
	r.onSupply(-0.2)
	r.clear()
	if asked := r.asked(); !slices.Equal(asked, []int{1}) {
		t.Fatalf("asked about %d: %+v", asked, r.s.Job.Changes)
	}
	r.answer(1, AsThing)
	near(t, "added, the tool had lain there before", r.shown(AddedTally), 1, 0.006)
	near(t, "drained", r.shown(DrainedTally), 1, 0.004)
}

// A person may go back to a phase: on one scale each stretch of time feeds its own account.
func TestBackToDraining(t *testing.T) {
	r := started(t, oneScale(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.rest(5)
	r.phase(Filling)
	r.scene(10, nil, steady(0.05), nil)
	r.rest(5)
	r.phase(Draining) // the pan leaked, and was taken off again
	r.scene(10, steady(0.04), nil, nil)
	r.rest(5)
	r.phase(Filling)
	r.scene(20, nil, steady(0.05), nil)
	r.rest(5)
	near(t, "drained", r.shown(DrainedTally), 1.4, 0.015)
	near(t, "added", r.shown(AddedTally), 1.5, 0.015)
	if marks := r.s.Job.Ledgers[0].MarkN; marks != 4 {
		t.Errorf("%d weighings", marks)
	}
}

// The supply may be filled up whenever it does not count, also when a person went back to
// draining.
func TestSupplyFilledUpWhileItDrainsAgain(t *testing.T) {
	r := started(t, twoScales(), aJob(), Filling)
	r.scene(20, nil, steady(0.05), nil)
	r.rest(6)
	r.phase(Draining)
	r.onSupply(2.5)
	near(t, "added, while the supply does not count", r.shown(AddedTally), 1, 0.006)
	r.phase(Filling)
	r.scene(20, nil, steady(0.05), nil)
	r.rest(6)
	near(t, "added", r.shown(AddedTally), 2, 0.006)
	if len(r.s.Job.Changes) > 0 {
		t.Errorf("%+v", r.s.Job.Changes)
	}
}

// What comes within the first seconds of a job is seen as well.
func TestToolJustAfterOpen(t *testing.T) {
	r := newRig(t, twoScales(), 10, 0.001)
	r.rest(8)
	r.do(Input{Do: DoOpen, Job: aJob()})
	r.rest(1)
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.rest(1)
	r.onCaddy(0.5)
	near(t, "drained", r.shown(DrainedTally), 0, 0.015)
	if len(r.s.Job.Changes) != 1 {
		t.Errorf("%+v", r.s.Job.Changes)
	}
}

// A caddy that was empty when the account began, and is emptied while nobody measures, weighs
// as it did then. That is no push that ended: what had drained is not lost.
func TestCaddyEmptiedWhileNobodyMeasures(t *testing.T) {
	for _, holeS := range []float64{2, 20, 60} {
		r := started(t, twoScales(), aJob(), Draining)
		r.scene(60, steady(0.05), nil, nil)
		r.rest(6)
		r.atNs += int64(holeS * 1e9)
		r.caddyKg -= 3
		r.rest(8)
		r.clear()
		for _, id := range r.asked() {
			r.answer(id, AsContainer)
		}
		near(t, "drained", r.shown(DrainedTally), 3, 0.006)
	}
}

// A weighing that is taken while the scale does not rest waits for the rest that follows.
func TestMarkWaitsForARest(t *testing.T) {
	r := started(t, twoScales(), aJob(), Ready)
	r.scene(1.2, nil, nil, steady(0.4)) // something comes just before
	r.do(Input{Do: DoPhase, Phase: Draining})
	if q := r.s.Volumes().Quality; q.Code != QualitySettling {
		t.Errorf("quality %s", q)
	}
	r.caddyKg += 0.4
	r.rest(10)
	if q := r.s.Volumes().Quality; !q.Good() {
		t.Errorf("quality %s", q)
	}
	r.scene(20, steady(0.05), nil, nil)
	r.rest(6)
	sum := r.shown(DrainedTally)
	for _, c := range r.s.Job.Changes {
		sum += c.Kg
	}
	if math.Abs(sum-1) > 0.01 && math.Abs(sum-1.4) > 0.01 { // it came before, or is a change
		t.Errorf("drained %.3f kg, changes %+v", r.shown(DrainedTally), r.s.Job.Changes)
	}
}

// The weighing that begins an account becomes no later weight: what drips from then on is
// in the account.
func TestMarkDoesNotFollowADrip(t *testing.T) {
	for _, hz := range []float64{80, 10, 2} {
		r := newRig(t, twoScales(), hz, 0.002)
		r.rest(4)
		r.do(Input{Do: DoOpen, Job: aJob()})
		r.rest(5)
		r.do(Input{Do: DoPhase, Phase: Draining})
		r.rest(1)
		r.scene(60, steady(0.0005), nil, nil)
		r.rest(8)
		near(t, "weighing_start", r.s.Job.Ledgers[0].Marks[0].Kg, 3.2, 0.0025)
		near(t, "dripped", r.shown(DrainedTally), 0.03, 0.006)
	}
}

// A baseline forgets what has been counted, asked and said.
func TestBaseline(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.rest(5)
	r.onCaddy(0.3)
	r.clear()
	r.refused(Input{Do: DoBaseline}, "do: refuse.forgets")
	r.do(Input{Do: DoBaseline, By: "ida", Why: "water to try the caddy"})
	if f := r.s.Job.Forgot; len(f) != 1 || math.Abs(f[0].L-1.2) > 0.1 || f[0].Why != "water to try the caddy" || f[0].By != "ida" {
		t.Errorf("forgot %+v", f)
	}
	r.rest(3)
	near(t, "drained", r.shown(DrainedTally), 0, 0.004)
	if len(r.s.Job.Changes) > 0 || len(r.asked()) > 0 || len(r.s.Job.Clears) > 0 {
		t.Errorf("changes %+v, clear weighings %+v", r.s.Job.Changes, r.s.Job.Clears)
	}
	r.scene(20, steady(0.05), nil, nil)
	r.rest(5)
	near(t, "drained since", r.shown(DrainedTally), 1, 0.004)
	r.phase(Service)
	r.refused(Input{Do: DoBaseline}, "do: refuse.baseline")
}

// The pan drips on while the one scale is poured from: 60 g in two minutes, seen between two
// pours. What drips onto the scale was drained, and added fluid is not lost for it.
func TestDripsWhilePouring(t *testing.T) {
	r := started(t, oneScale(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(5)
	r.phase(Filling)
	r.scene(50, steady(0.0005), steady(0.05), nil)
	r.scene(70, steady(0.0005), nil, nil)
	r.scene(20, nil, steady(0.03), nil)
	r.rest(6)
	v := r.s.Volumes()
	near(t, "drained", r.shown(DrainedTally), 3.06, 0.02)
	near(t, "added", r.shown(AddedTally), 3.1, 0.02)
	near(t, "their difference", r.shown(AddedTally)-r.shown(DrainedTally), 0.04, 0.008)
	perKg := 1000 / r.s.Job.UsedKgM3
	if off := math.Abs(r.shown(DrainedTally) - 3.06); off*perKg > v.DrainedUL {
		t.Errorf("drained is %.1f g off, U is %.1f mL", 1000*off, 1000*v.DrainedUL)
	}
	found := false
	for _, term := range r.s.Budget(DrainedTally) {
		found = found || term.Name == "drips" && term.L > 0
	}
	if !found {
		t.Errorf("no term for what drips: %+v", r.s.Budget(DrainedTally))
	}
	if len(r.s.Job.Changes) > 0 {
		t.Errorf("%+v", r.s.Job.Changes)
	}
}

// Where the level is checked at an opening, what runs out of it is neither drained nor
// added, on two scales and on one.
func TestOverflowAtTheCheck(t *testing.T) {
	for name, setup := range map[string]*Setup{"two scales": twoScales(), "one scale": oneScale()} {
		t.Run(name, func(t *testing.T) {
			spec := aJob()
			spec.Check = ByOverflow
			r := started(t, setup, spec, Draining)
			r.scene(60, steady(0.05), nil, nil)
			r.rest(5)
			r.phase(Filling)
			r.scene(62, nil, steady(0.05), nil)
			r.rest(6)
			r.phase(Checking)
			r.scene(4, nil, steady(0.05), nil)
			r.scene(20, steady(0.01), nil, nil)
			r.rest(6)
			if len(r.s.Job.Changes) > 0 {
				t.Errorf("a pour and what runs over are taken for a knock: %+v", r.s.Job.Changes)
			}
			v := r.s.Volumes()
			tolKg := 0.006
			if r.s.ScaleN == 1 {
				tolKg = 0.03 // it runs over while the last is poured
			}
			near(t, "drained", r.shown(DrainedTally), 3, 0.012)
			near(t, "ran over", r.shown(OverflowTally), 0.2, tolKg)
			near(t, "added", r.shown(AddedTally), 3.3, tolKg)
			near(t, "balance", v.BalanceL, v.AddedL-v.OverflowL-v.DrainedL, 1e-12)
			perKg := 1000 / r.s.Job.FreshKgM3
			if off := math.Abs(r.shown(OverflowTally)-0.2) * perKg; off > v.OverflowUL {
				t.Errorf("ran over: %.1f mL off, U is %.1f mL", 1000*off, 1000*v.OverflowUL)
			}
			p := r.plan()
			near(t, "remaining", p.RemainingL, p.TargetL-v.AddedL+v.OverflowL, 1e-9)
		})
	}
}

// Somebody leans on the one scale that carries both, slowly or fast, while it drains, and
// while it is poured from.
func TestLeanOnOneScale(t *testing.T) {
	for _, phase := range []Phase{Draining, Filling} {
		for _, riseS := range []float64{0.4, 12} {
			r := started(t, oneScale(), aJob(), phase)
			into := DrainedTally
			if phase == Filling {
				into = AddedTally
				r.scene(20, nil, steady(0.05), nil)
			} else {
				r.scene(20, steady(0.05), nil, nil)
			}
			r.rest(8)
			r.scene(riseS+20, nil, nil, plus(rising(2, 2+riseS, 1.2), rising(10+riseS, 10.5+riseS, -1.2)))
			r.rest(8)
			r.clear()
			if asked := r.asked(); len(asked) > 0 {
				t.Errorf("%s, lean within %g s: asked about %d: %+v", phase, riseS, asked, r.s.Job.Changes)
			}
			near(t, string(phase)+": counted", r.shown(into), 1, 0.012)
		}
	}
}

// A tool lies on the one scale from the draining into the filling: what was drained does
// not know it once it is gone.
func TestToolAcrossPhasesOnOneScale(t *testing.T) {
	r := started(t, oneScale(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.rest(5)
	r.onCaddy(0.4)
	r.phase(Filling) // somebody has not seen it
	if asked := r.asked(); !slices.Equal(asked, []int{1}) {
		t.Errorf("asked about %d", asked)
	}
	r.answer(1, AsThing)
	r.scene(20, nil, steady(0.05), nil)
	r.rest(5)
	near(t, "drained", r.shown(DrainedTally), 1, 0.006)
	near(t, "added", r.shown(AddedTally), 1, 0.006)
	r.onCaddy(-0.4)
	near(t, "drained, gone", r.shown(DrainedTally), 1, 0.006)
	near(t, "added, gone", r.shown(AddedTally), 1, 0.012)
	r.clear()
	if asked := r.asked(); len(asked) > 0 {
		t.Errorf("asked about %d: %+v", asked, r.s.Job.Changes)
	}
}

// What an abandoned job left open does not come into the next one.
func TestNextJobBeginsAnew(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(0.7, nil, nil, steady(2))
	r.do(Input{Do: DoAbandon, Why: "test"})
	r.do(Input{Do: DoOpen, Job: aJob()})
	r.scene(6, nil, nil, steady(2))
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.scene(20, steady(0.05), nil, steady(2))
	r.scene(5, nil, nil, steady(2))
	near(t, "drained", r.shown(DrainedTally), 1, 0.006)
	if len(r.s.Job.Changes) != 0 {
		t.Errorf("%+v", r.s.Job.Changes)
	}
}

// Fluid exchanged through the cooler line: out and in run together, on two scales.
func TestTwoStreamsAtOnce(t *testing.T) {
	spec := aJob()
	spec.BalanceBandL = 0.4
	r := started(t, twoScales(), spec, Filling)
	r.scene(60, steady(0.06), steady(0.058), nil)
	v := r.s.Volumes()
	near(t, "out", v.DrainedLMin, 0.06*60/r.s.Job.UsedKgM3*1000, 0.15)
	near(t, "in", v.AddedLMin, 0.058*60/r.s.Job.FreshKgM3*1000, 0.15)
	near(t, "balance", v.BalanceL, v.AddedL-v.DrainedL, 1e-12)
	if alerts := r.s.Alerts(); len(alerts) != 0 {
		t.Errorf("alerts %+v inside the band", alerts)
	}
	r.scene(60, steady(0.06), steady(0.05), nil)
	if a := alertOf(r.s, AlertBalance); a.Key != "alert.balance_less" || !(a.Figures["differ_l"] > 0.4) {
		t.Errorf("alerts %+v outside the band", r.s.Alerts())
	}
}
