package fillcalc

import (
	"errors"
	"slices"
	"testing"
)

// wantAsked checks that an input is asked back, and done with a reason.
func (r *rig) wantAsked(in Input, want string) {
	r.t.Helper()
	var asked *Refusal
	if err := Check(&r.s, &in); !errors.As(err, &asked) || asked.Key != want || !asked.Insist {
		r.t.Errorf("%+v: %v, want %s", in, err, want)
	}
	in.Why = "it is meant"
	if err := Check(&r.s, &in); err != nil {
		r.t.Errorf("%+v: %v", in, err)
	}
}

// A level at the end cannot have been judged before the engine runs: the level before the
// service was probably meant.
func TestLevelAtTheEndIsAskedBackBeforeTheEngineRuns(t *testing.T) {
	for _, phase := range []Phase{Ready, Draining, Service, Filling} {
		r := started(t, twoScales(), aJob(), phase)
		r.wantAsked(Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: Right}}, "refuse.level_early")
		if err := Check(&r.s, &Input{Do: DoRecord, Record: &Record{Item: LevelBefore, Result: Right}}); err != nil {
			t.Errorf("%s: %v", phase, err)
		}
	}
}

// Where a scale weighs the supply, a bottle that is entered would not count, or count twice.
func TestBottleIsNotEnteredWhereTheSupplyIsWeighed(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.refused(Input{Do: DoEnter, Entry: &Entry{What: EnterBottle, L: 1, Share: 1}}, "what: refuse.bottle_weighed")
}

// The same entry from two screens at once is asked back; a correction, another amount or the same
// one later is not.
func TestSameEntryIsAskedBack(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	spilled := Input{Do: DoEnter, Entry: &Entry{What: EnterSpilled, L: 0.1}}
	r.do(spilled)
	r.rest(110)
	r.wantAsked(spilled, "refuse.entered_twice")
	for _, e := range []Entry{{What: EnterSpilled, L: -0.1}, {What: EnterSpilled, L: 0.2}, {What: EnterRetained, L: 0.1}} {
		if err := Check(&r.s, &Input{Do: DoEnter, Entry: &e}); err != nil {
			t.Errorf("%+v: %v", e, err)
		}
	}
	r.rest(11)
	r.do(spilled)
	near(t, "spilled", r.s.Job.Entries[0].L+r.s.Job.Entries[1].L, 0.2, 1e-12)
}

// More than the transmission gives is not taken for spilled without a reason: the scales have
// weighed the rest.
func TestMoreThanCanHaveComeOutIsAskedBack(t *testing.T) {
	for name, c := range map[string]struct {
		spec func(*JobSpec)
		l    float64
		want string // empty: it is taken
	}{
		"little":                {func(j *JobSpec) { j.TypicalL = 4 }, 0.5, ""},
		"more than usual":       {func(j *JobSpec) { j.TypicalL = 4 }, 3, "refuse.out_usual"},
		"more than ever":        {func(j *JobSpec) { j.TypicalL, j.Usual = 9, &Usual{OutL: 3.6, UL: 0.2, Jobs: 20} }, 3, "refuse.out_usual"},
		"more than the whole":   {func(j *JobSpec) { j.TotalL = 5 }, 3, "refuse.out_total"},
		"a larger transmission": {func(j *JobSpec) { j.TotalL = 9 }, 3, ""},
		"nothing is known":      {func(*JobSpec) {}, 3, ""},
	} {
		spec := aJob()
		c.spec(spec)
		r := started(t, twoScales(), spec, Draining)
		r.scene(60, steady(0.05), nil, nil) // 3.6 L
		r.rest(6)
		for _, what := range []What{EnterSpilled, EnterRetained} {
			in := Input{Do: DoEnter, Entry: &Entry{What: what, L: c.l}}
			if c.want != "" {
				r.wantAsked(in, c.want)
			} else if err := Check(&r.s, &in); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// Before a job is closed of which much is missing: what is missing, and the verdict.
func TestCloseLacks(t *testing.T) {
	wantLacks := func(s *State, key, lacks string, outcome Outcome) {
		t.Helper()
		var asked *Refusal
		if err := s.CloseLacks(); !errors.As(err, &asked) || asked.Key != key || asked.Names["lack"] != lacks || asked.Names["outcome"] != string(outcome) || !asked.Insist {
			t.Errorf("%+v, want %s: %s", asked.Text, key, lacks)
		}
	}
	var asked *Refusal
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(8)
	wantLacks(&r.s, "refuse.close_missing", "no_filling no_running no_checking little", Failed)
	r.settled(Input{Do: DoPhase, Phase: Filling})
	r.scene(60, nil, steady(0.0505), nil)
	r.rest(8)
	r.do(Input{Do: DoPhase, Phase: Running})
	r.do(Input{Do: DoPhase, Phase: Checking})
	wantLacks(&r.s, "refuse.close_lacks", "level_open", Failed)
	r.do(Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: Low}})
	wantLacks(&r.s, "refuse.close_lacks", "level_wrong", Failed)
	r.rest(2)
	r.do(Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: Right}})
	if err := r.s.CloseLacks(); err != nil {
		t.Errorf("all is done: %v", err)
	}
	// The level decides about a little that the scales miss, and not about much.
	for _, c := range []struct {
		spilledL float64
		key      string
	}{{0.2, ""}, {0.8, "refuse.close_missing"}} {
		spilled := r.s
		spilled.Job.Entries = []Entry{{What: EnterSpilled, L: c.spilledL}}
		err := spilled.CloseLacks()
		if c.key == "" && err != nil || c.key != "" && (!errors.As(err, &asked) || asked.Key != c.key) {
			t.Errorf("%g L spilled: %v, want %q", c.spilledL, err, c.key)
		}
	}
}

// A reason to close a job of which something is missing does not say that it was not measured.
func TestReasonToCloseIsOnRecord(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.rest(8)
	r.do(Input{Do: DoClose, Why: "another shop goes on"})
	if q := r.s.Volumes().Quality; !q.Good() {
		t.Errorf("quality %q", q)
	}
	r.wantDecisions(Failed, "verdict.closed_insisted")
	// A reason that nobody asked for is no override.
	r = drained(t, calibratedSetup(), aJob())
	r.scene(60, nil, steady(0.0505), nil)
	r.rest(8)
	r.do(Input{Do: DoPhase, Phase: Running})
	r.warm(40)
	r.do(Input{Do: DoPhase, Phase: Checking})
	r.report(Record{Item: LevelAfter, Result: Right})
	r.rest(8)
	r.do(Input{Do: DoClose, Why: "another shop goes on"})
	r.wantDecisions(Passed, "verdict.closed_note")
}

// wantDecisions checks what the rule about decisions makes of the reason to close.
func (r *rig) wantDecisions(want Outcome, key string) {
	r.t.Helper()
	c := Criterion{Outcome: Passed}
	r.s.judgeDecisions(&c)
	said := slices.ContainsFunc(c.Reasons, func(s Reason) bool { return s.Key == key && s.Names["why"] == "another shop goes on" })
	right := slices.ContainsFunc(c.Reasons, func(s Reason) bool { return s.Key == "verdict.decisions_right" })
	if c.Outcome != want || !said || right != (want == Passed) {
		r.t.Errorf("%+v, want %s by %s", c, want, key)
	}
}

// After a job there is no window: neither open nor blind.
func TestNoWindowAfterTheJob(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.rest(8)
	r.do(Input{Do: DoAbandon, Why: "a test"})
	if w := r.s.CheckWindow(); w.State != NoWindow {
		t.Errorf("window %q", w.State)
	}
}

// While it still drips so that the scale shows it, the service is not proposed as if nothing
// came: only once something was tipped, or when nothing has come for long.
func TestServiceIsNotProposedWhileItDrips(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	for n := range 10 {
		r.scene(30, steady(0.0003), nil, nil) // 90 g in five minutes
		if ask, ok := r.s.proposed(); ok {
			t.Fatalf("after %d s of drips: %s", 30*(n+1), ask.Key)
		}
	}
	r.onCaddy(0.01) // a screw
	r.wantProposed("a screw", "", "")
}
