package fillcalc

import (
	"slices"
	"testing"
)

// reasons lists the keys of the reasons why a job is not passed.
func (r *rig) reasons() (outcome Outcome, keys []string) {
	v := r.s.Verdict(DefaultToleranceL)
	for _, c := range v.Criteria {
		for _, reason := range c.Reasons {
			if c.Counts && reason.Outcome != Passed {
				keys = append(keys, reason.Key)
			}
		}
	}
	return v.Outcome, keys
}

func calibratedSetup() *Setup {
	setup := twoScales()
	for i := range setup.Scales {
		setup.Scales[i].Calibration = &ScaleCalibration{AtNs: 1_740_000_000e9, DueNs: 1_770_000_000e9, Slope: 1, SlopeU: 0.0002, LightestKg: 2, WorstKg: 0.002, Passed: true}
	}
	setup.Probe.Calibration = &ProbeCalibration{AtNs: 1_740_000_000e9, DueNs: 1_770_000_000e9, Gain: 1, U: 0.1, BestC: 40, GainU: 0.001, Passed: true}
	return setup
}

// What a job would get is known before it is closed, and each step changes it: the level is
// judged outside the window, then inside, then fluid is poured after it, then a scale is
// silent for a while.
func TestVerdictBeforeClosing(t *testing.T) {
	r := drained(t, calibratedSetup(), aJob())
	r.scene(50, nil, steady(0.05), nil)
	r.rest(5)
	r.do(Input{Do: DoPhase, Phase: Running})
	r.warm(30)
	r.do(Input{Do: DoPhase, Phase: Checking})
	want := func(what string, outcome Outcome, keys ...string) {
		t.Helper()
		got, reasons := r.reasons()
		if got != outcome || !slices.Equal(reasons, keys) {
			t.Errorf("%s: %s by %q, want %s by %q", what, got, reasons, outcome, keys)
		}
	}
	want("not topped up, nothing judged", Failed, "verdict.missing", "verdict.no_level")
	r.scene(10, nil, steady(0.0485), nil)
	r.warm(30)
	want("topped up", NotVerified, "verdict.no_level")
	cold := Record{Item: LevelAfter, Result: Right, Why: "by hand"}
	r.wantAsked(Input{Do: DoRecord, Record: &cold}, "refuse.level_outside")
	r.report(cold)
	want("judged cold", Failed, "verdict.level_judged")
	r.warm(40)
	r.report(Record{Item: LevelAfter, Result: Right})
	want("judged in the window", Passed)
	if missing := r.s.Missing(); !slices.Equal(missing, []Item{LevelBefore, Filter, Seal, Magnet, Pan, Flange, Gasket, Torque, Leaks}) {
		t.Errorf("missing %q", missing)
	}
	r.scene(2, nil, steady(0.032), nil)
	r.rest(5)
	want("poured afterwards", Failed, "verdict.level_moved")
	r.report(Record{Item: LevelAfter, Result: Right})
	r.atNs += 12e9
	r.do(Input{Do: DoTick})
	want("all silent", Failed, "verdict.amount_unknown", "verdict.not_heard", "verdict.not_heard", "verdict.not_heard")
	r.warm(40)
	want("heard again: the scales were weighed since, the probe was not", Failed, "verdict.not_heard")
	r.settled(Input{Do: DoClose})
	before, _ := r.reasons()
	r.rest(60)
	if after, _ := r.reasons(); after != before {
		t.Errorf("closed as %s, later %s", before, after)
	}
}

// A fault that lasts over many frames is one trouble, and a silence while a scale does not
// count is none.
func TestTroubles(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.atNs += 20e9 // nobody is heard, and only the caddy's scale counts
	r.rest(3)
	for range 10 {
		r.atNs += 100e6
		r.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultOverload})
		r.apply(Event{Kind: KindWeight, Sensor: "supply", Faults: FaultOverload})
	}
	during := r.s.Troubles()
	r.rest(5)
	got := r.s.Troubles()
	if len(got) != 2 || len(during) != 2 || got[0].Sensor != "caddy" || !got[0].Silent() || got[1].Faults != FaultOverload {
		t.Fatalf("%+v, during %+v", got, during)
	}
	near(t, "silent, s", float64(got[0].ToNs-got[0].FromNs)/1e9, 20.1, 0.2)
	near(t, "overloaded, s", float64(got[1].ToNs-got[1].FromNs)/1e9, 0.9, 0.01)
}

// The verdict covers the work: what the shop needs must be done, a wrong torque always counts,
// and everything else is only said.
func TestVerdictOfTheWork(t *testing.T) {
	torque := func(nm float64) *Record {
		return &Record{Item: Torque, Result: Done, SpecifiedNM: 97 * NewtonMetresPerPoundInch, AppliedNM: nm * NewtonMetresPerPoundInch}
	}
	for _, c := range []struct {
		name    string
		needs   []Item
		record  *Record
		item    Item
		outcome Outcome
		counts  bool
		key     string
	}{
		{"nothing said, not needed", nil, nil, Filter, NotRecorded, false, "verdict.not_recorded"},
		{"nothing said, needed", []Item{Filter}, nil, Filter, NotRecorded, true, "verdict.not_recorded"},
		{"not done, not needed", nil, &Record{Item: Magnet, Result: NotDone, Note: "there is none"}, Magnet, NotRecorded, false, "verdict.work_not_done"},
		{"not done, needed", []Item{Magnet}, &Record{Item: Magnet, Result: NotDone}, Magnet, Failed, true, "verdict.work_not_done"},
		{"done", []Item{Gasket}, &Record{Item: Gasket, Result: Done}, Gasket, Passed, true, "verdict.work_done"},
		{"one seal", []Item{Seal}, &Record{Item: Seal, Result: Done, Count: 1}, Seal, Passed, true, "verdict.work_done"},
		{"two seals", nil, &Record{Item: Seal, Result: Done, Count: 2}, Seal, Failed, true, "verdict.many_seals"},
		{"not needed in this vehicle", []Item{Seal}, &Record{Item: Seal, Result: NotNeeded}, Seal, Passed, true, "verdict.work_done"},
		{"level before", nil, &Record{Item: LevelBefore, Result: Low}, LevelBefore, Passed, false, "verdict.work_done"},
		{"the specified torque", nil, torque(97), Torque, Passed, false, "verdict.torque"},
		{"within a tenth", nil, torque(106), Torque, Passed, false, "verdict.torque"},
		{"another torque", nil, torque(165), Torque, Failed, true, "verdict.off_torque"},
		{"nothing specified", nil, &Record{Item: Torque, Result: Done, AppliedNM: 11}, Torque, Passed, false, "verdict.torque_unspecified"},
	} {
		spec := aJob()
		spec.Needs = c.needs
		r := started(t, twoScales(), spec, Draining)
		if c.record != nil {
			r.report(*c.record)
		}
		v := r.s.Verdict(DefaultToleranceL)
		at := slices.IndexFunc(v.Criteria, func(k Criterion) bool { return k.Name == string(c.item) })
		if got := v.Criteria[at]; got.Outcome != c.outcome || got.Counts != c.counts || got.Reasons[0].Key != c.key {
			t.Errorf("%s: %+v", c.name, got)
		}
		if c.counts && c.outcome == Failed && v.Outcome != Failed {
			t.Errorf("%s: the job is %s", c.name, v.Outcome)
		}
	}
	if o := NotRecorded.ForJob(); o != NotVerified || Passed.ForJob() != Passed {
		t.Errorf("needed and not recorded is %s", o)
	}
	spec := aJob()
	spec.Needs = []Item{"polish"}
	if err := spec.checkFigures(); err == nil {
		t.Error("an unknown item is needed")
	}
}

// A level that was judged while the window was open passes, and the verdict says why when the
// fluid was beside the window by what the probe does not know.
func TestVerdictBesideTheWindow(t *testing.T) {
	for celsius, says := range map[float64]bool{34.8: true, 45.3: true, 35: false, 40: false} {
		s := State{Job: Job{Phase: Checking, Spec: *aJob(), Records: []Record{{Item: LevelAfter, Result: Right, Window: Open, TempC: &celsius}}}}
		var c Criterion
		c.Outcome = Passed
		s.judgeLevel(&c)
		why := slices.ContainsFunc(c.Reasons, func(r Reason) bool { return r.Key == "verdict.level_beside" && r.Figures["at_c"] == celsius })
		if c.Outcome != Passed || why != says {
			t.Errorf("at %g °C: %s, %+v", celsius, c.Outcome, c.Reasons)
		}
	}
}

// An amount that is hardly known does not pass because everything lies within its ±.
func TestVagueAmountIsNotVerified(t *testing.T) {
	r := drained(t, calibratedSetup(), aJob())
	r.scene(60, nil, steady(0.0505), nil)
	r.rest(8)
	for uL, want := range map[float64]string{0: "verdict.amount_right", 0.1: "verdict.amount_right", 1.1: "verdict.amount_vague"} {
		s := r.s
		s.Job.Entries = []Entry{{What: EnterSpilled, L: 0.01, UL: uL}}
		c := Criterion{Outcome: Passed}
		s.judgeAmount(&c, DefaultToleranceL)
		if vague := want == "verdict.amount_vague"; c.Reasons[0].Key != want || vague != (c.Outcome == NotVerified) {
			t.Errorf("spilled ± %g L: %+v", 2*uL, c)
		}
	}
}
