package fillcalc

import (
	"math"
	"testing"
)

// The pan is still open, and what is poured in runs into the caddy a second later. Within ten
// seconds that is said, first of all, and the target does not grow by it.
func TestRunsOutBelow(t *testing.T) {
	for name, c := range map[string]struct {
		pourKgS, outKgS float64
	}{
		"all of it":        {0.05, 0.05},
		"a part":           {0.06, 0.02},
		"slow, and little": {0.03, 0.006},
	} {
		r := drained(t, twoScales(), aJob())
		r.scene(20, nil, steady(0.05), nil) // one kilogram is in
		r.rest(8)
		before := r.plan()
		r.scene(1, nil, steady(c.pourKgS), nil)
		said := math.NaN()
		for s := 0.5; s <= 30; s += 0.5 {
			r.scene(0.5, steady(c.outKgS), steady(c.pourKgS), nil)
			if key, tone := r.first(); math.IsNaN(said) && key == "ask.runs_out" && tone == ToneLost {
				said = s
			}
		}
		if !(said <= 10) {
			t.Errorf("%s: said after %.1f s", name, said)
		}
		a := alertOf(r.s, AlertRunsOut)
		lostL := 30 * c.outKgS * r.s.Job.FreshFactor / r.s.Job.FreshKgM3 * 1000
		near(t, name+": lost, L", a.Figures["lost_l"], lostL, 0.03)
		near(t, name+": flow, L/min", a.Figures["flow_l_min"], 2*lostL, 0.1)
		r.rest(6)
		plan := r.plan()
		near(t, name+": target", plan.TargetL, before.TargetL, 0.02)
		near(t, name+": in", plan.InL-before.InL, 31*c.pourKgS*1.0013/0.8427-lostL, 0.03)
		r.rest(20)
		if a := alertOf(r.s, AlertRunsOut); a.Key != "" {
			t.Errorf("%s: long after: %+v", name, a)
		}
		if n := r.plan().Notes; len(n) == 0 || n[len(n)-1].Key != NoteRanOut {
			t.Errorf("%s: notes %+v", name, n)
		}
		// The pan comes off again and drips: that is drained. The next fill counts anew.
		drainedL := r.s.Volumes().DrainedL
		r.phase(Service)
		r.scene(20, steady(0.01), nil, nil)
		r.rest(5)
		near(t, name+": drained since", r.s.Volumes().DrainedL-drainedL, 0.2/0.856, 0.02)
	}
}

// On one scale it shows once nobody pours.
func TestRunsOutBelowOnOneScale(t *testing.T) {
	r := drained(t, oneScale(), aJob())
	r.scene(20, nil, steady(0.05), nil)
	r.scene(5, steady(0.03), steady(0.05), nil)
	said := math.NaN()
	for s := 0.5; s <= 15; s += 0.5 {
		r.scene(0.5, steady(0.03), nil, nil)
		if alertOf(r.s, AlertRunsOut).Key != "" && math.IsNaN(said) {
			said = s
		}
	}
	if !(said <= 10) {
		t.Errorf("said after %.1f s", said)
	}
	near(t, "lost, L", alertOf(r.s, AlertRunsOut).Figures["lost_l"], 0.45/0.8427, 0.06)
}

// Without a weighed supply, a caddy that gains while the fill goes on is enough.
func TestRunsOutBelowWithBottles(t *testing.T) {
	setup := twoScales()
	setup.Scales = setup.Scales[:1]
	r := drained(t, setup, aJob())
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterBottle, L: 1, Share: 1}})
	r.scene(10, steady(0.03), nil, nil)
	r.wantFirst("the caddy gains", "ask.runs_out", ToneLost)
	r.rest(5)
	near(t, "in", r.plan().InL, 1-0.3/0.8427, 0.03)
}

// What is no loss: a closed pan that drips, a tool on the caddy, somebody who leans on it, the
// caddy emptied, and a pan that empties itself while nobody pours.
func TestNothingRunsOutBelow(t *testing.T) {
	pour := steady(0.05)
	for name, happens := range map[string]func(r *rig){
		"drips":          func(r *rig) { r.scene(60, steady(0.001), pour, nil) },
		"drips fast":     func(r *rig) { r.scene(60, steady(0.0025), pour, nil) },
		"a tool":         func(r *rig) { r.scene(10, nil, pour, nil); r.caddyKg += 0.4; r.scene(10, nil, pour, nil) },
		"a heavy tool":   func(r *rig) { r.caddyKg += 3; r.scene(10, nil, pour, nil) },
		"somebody leans": func(r *rig) { r.scene(20, nil, pour, func(s float64) float64 { return 3 * math.Sin(s*math.Pi/20) }) },
		"nobody pours":   func(r *rig) { r.rest(20); r.scene(30, steady(0.02), nil, nil) },
		"it is emptied":  func(r *rig) { r.onCaddy(-5.2); r.scene(10, nil, pour, nil); r.onCaddy(2.1) },
		"only poured":    func(r *rig) { r.scene(60, nil, pour, nil) },
		"wind":           func(r *rig) { r.scene(60, nil, pour, func(s float64) float64 { return 0.02 * math.Sin(math.Pi/2*s) }) },
	} {
		r := drained(t, twoScales(), aJob())
		happens(r)
		if l := r.s.Job.Loss; l.RanNs != 0 {
			t.Errorf("%s: %+v", name, l)
		}
	}
}

// Somebody flushes: both streams are meant. It counts as drained, and nothing is said in this
// phase any more; in the next one it is.
func TestFlushIsMeant(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	r.refused(Input{Do: DoEnter, Entry: &Entry{What: "flushing"}}, "what: ")
	r.scene(15, steady(0.05), steady(0.05), nil)
	r.wantFirst("before the answer", "ask.runs_out", ToneLost)
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterFlush}, By: "somebody"})
	drainedL := r.s.Volumes().DrainedL
	r.scene(15, steady(0.05), steady(0.05), nil)
	r.rest(5)
	if a := alertOf(r.s, AlertRunsOut); a.Key != "" {
		t.Errorf("after the answer: %+v", a)
	}
	near(t, "drained with the flush", r.shown(DrainedTally), 3+1.5, 0.02)
	near(t, "drained since the answer, L", r.s.Volumes().DrainedL-drainedL, 0.75/0.856, 0.05)
	r.phase(Running)
	r.scene(15, steady(0.03), steady(0.03), nil)
	if a := alertOf(r.s, AlertRunsOut); a.Key == "" {
		t.Error("nothing is said in the next phase")
	}
	early := started(t, twoScales(), aJob(), Draining)
	early.refused(Input{Do: DoEnter, Entry: &Entry{What: EnterFlush}}, "what: refuse.flush_early")
}
