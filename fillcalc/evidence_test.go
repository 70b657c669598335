package fillcalc

import "testing"

// Who opened the job has done what nobody else signs; who helps signs only that.
func TestByIsInherited(t *testing.T) {
	r := newRig(t, twoScales(), 10, 0.001)
	r.rest(4)
	r.do(Input{Do: DoOpen, Job: aJob(), By: "Ada"})
	r.rest(4)
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.onCaddy(0.7)
	r.do(Input{Do: DoAnswer, Change: 1, As: AsThing})
	r.do(Input{Do: DoClear, By: "Ben"})
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterSpilled, L: 0.1}})
	r.do(Input{Do: DoRecord, Record: &Record{Item: Filter, Result: Done}, By: "Ben"})
	r.do(Input{Do: DoRecord, Record: &Record{Item: Magnet, Result: Done}})
	j := &r.s.Job
	for what, c := range map[string]struct{ got, want string }{
		"phase":          {j.Phases[1].By, "Ada"},
		"answer":         {j.Changes[0].By, "Ada"},
		"clear weighing": {j.Clears[0].By, "Ben"},
		"entry":          {j.Entries[0].By, "Ada"},
		"filter":         {j.Records[0].By, "Ben"},
		"magnet":         {j.Records[1].By, "Ada"},
	} {
		if c.got != c.want {
			t.Errorf("%s: by %q, want %q", what, c.got, c.want)
		}
	}
	if in := r.events[len(r.events)-1].Input; in.By != "" {
		t.Errorf("the input on record was signed: %+v", in)
	}
}

// A torque is typed wrongly and put right: the new one counts, the old one stays on record.
func TestRecordIsCorrected(t *testing.T) {
	r := started(t, twoScales(), aJob(), Service)
	torque := func(nm float64) Input {
		return Input{Do: DoRecord, Record: &Record{Item: Torque, Result: Done, SpecifiedNM: 12, AppliedNM: nm}}
	}
	r.do(torque(21))
	r.do(Input{Do: DoRecord, Record: &Record{Item: Seal, Result: Done, Count: 2}})
	r.rest(20)
	r.do(torque(12))
	j := &r.s.Job
	if len(j.Records) != 3 || !j.Corrected(0) || j.Corrected(1) || j.Corrected(2) || j.recorded(Torque).AppliedNM != 12 {
		t.Errorf("records %+v", j.Records)
	}
	for _, remark := range r.s.Remarks() {
		if remark.Key == "remark.torque" {
			t.Errorf("the corrected torque is still remarked: %+v", remark)
		}
	}
}

// A level that is judged again after topping up corrects nothing; one that was tapped wrongly
// is corrected.
func TestLevelJudgedAgainIsNoCorrection(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	r.do(Input{Do: DoPhase, Phase: Checking, Why: "only a test"})
	level := func(result Result) {
		r.rest(10)
		r.do(Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: result}})
	}
	level(Low)
	r.scene(10, nil, steady(0.02), nil)
	level(High)
	level(Right)
	if j := &r.s.Job; j.Corrected(0) || !j.Corrected(1) || j.Corrected(2) {
		t.Errorf("corrected: %v %v %v", j.Corrected(0), j.Corrected(1), j.Corrected(2))
	}
}

// A finger taps twice: one seal is on record. Another result, another item or a later tap is
// meant.
func TestDoubleTapIsOneRecord(t *testing.T) {
	r := started(t, twoScales(), aJob(), Service)
	seal := Input{Do: DoRecord, Record: &Record{Item: Seal, Result: Done, Count: 1}}
	r.do(seal)
	r.rest(0.3)
	r.refused(seal, "item: refuse.twice")
	r.do(Input{Do: DoRecord, Record: &Record{Item: Filter, Result: Done}})
	r.refused(seal, "item: refuse.twice")
	r.do(Input{Do: DoRecord, Record: &Record{Item: Seal, Result: NotDone}})
	r.rest(1)
	r.do(Input{Do: DoRecord, Record: &Record{Item: Seal, Result: Done, Count: 1}})
	r.rest(1)
	r.do(seal)
	if n := len(r.s.Job.Records); n != 5 {
		t.Errorf("%d records", n)
	}
}
