package fillcalc

import (
	"strings"
	"testing"
)

func (r *rig) remarks() string {
	var kinds []string
	for _, remark := range r.s.Remarks() {
		kinds = append(kinds, remark.Kind+": "+remark.Text)
	}
	return strings.Join(kinds, "\n")
}

func (r *rig) next() string {
	var texts []string
	for _, ask := range r.s.Next() {
		texts = append(texts, ask.Text)
	}
	return strings.Join(texts, "\n")
}

func (r *rig) report(record Record) {
	r.t.Helper()
	r.do(Input{Do: DoRecord, Record: &record, By: "somebody"})
}

// warm lets the probe show a temperature for a while.
func (r *rig) warm(celsius float64) {
	for range 60 {
		r.atNs += 500e6
		r.apply(Event{Kind: KindTemperature, Sensor: "probe", Value: celsius})
		r.rest(0.1)
	}
}

// What the technician is asked in each phase of a job done by the book, and that
// nothing is to be said about it in the end.
func TestFlowByTheBook(t *testing.T) {
	r := newRig(t, twoScales(), 10, 0.001)
	asked := func(want string) {
		t.Helper()
		if got := r.next(); !strings.Contains(got, want) {
			t.Errorf("in %q asked for %q, want %q", r.s.Job.Phase, got, want)
		}
	}
	asked("Open a job.")
	r.rest(4)
	r.do(Input{Do: DoOpen, Job: aJob(), By: "somebody"})
	r.rest(3)
	asked("Record: the level before the service.")
	r.report(Record{Item: LevelBefore, Result: Low})
	r.do(Input{Do: DoPhase, Phase: Draining})
	asked("Let it run dry.")
	r.scene(60, steady(0.05), nil, nil)
	r.rest(120)
	asked("It drips: 0 mL more in five minutes.")
	r.do(Input{Do: DoPhase, Phase: Service})
	asked("Record: filter seal: exactly one.")
	for _, item := range []Item{Filter, Magnet, Pan, Flange, Gasket} {
		r.report(Record{Item: item, Result: Done})
	}
	r.report(Record{Item: Seal, Result: Done, Count: 1})
	r.report(Record{Item: Torque, Result: Done, SpecifiedNM: 165 * NewtonMetresPerPoundInch, AppliedNM: 18.6, Written: "165 in-lb"})
	asked("Pan closed? Then fill.")
	r.do(Input{Do: DoPhase, Phase: Filling})
	asked("L more for the first fill.")
	r.refused(Input{Do: DoPhase, Phase: Running}, "ruins the transmission")
	r.scene(60, nil, steady(0.05), nil)
	r.rest(4)
	asked("The first fill is in.")
	r.do(Input{Do: DoPhase, Phase: Running})
	r.do(Input{Do: DoGear, Gear: "R"})
	asked("Hold R for 5 s.")
	r.rest(3)
	asked("Hold R for 2 s.")
	r.do(Input{Do: DoGear, Gear: "D"})
	r.rest(6)
	r.report(Record{Item: Leaks, Result: Done})
	r.do(Input{Do: DoPhase, Phase: Checking})
	if g := r.s.Job.Gears; len(g) != 2 || g[1].ToNs == 0 || g[0].ToNs-g[0].FromNs < 2.9e9 {
		t.Errorf("gears %+v", g)
	}
	r.rest(10)
	r.warm(30)
	asked("Wait for the check window.")
	r.warm(40)
	asked("Judge the level now, at 40 °C.")
	r.report(Record{Item: LevelAfter, Result: Right})
	asked("Close the job.")
	if said := r.remarks(); said != "" {
		t.Errorf("said about a job by the book:\n%s", said)
	}
	if rec := r.s.Job.recorded(LevelAfter); rec.TempC == nil || *rec.TempC < 39.5 || rec.Window != Open || rec.By != "somebody" {
		t.Errorf("the level's record %+v", rec)
	}
	r.rest(5)
	r.do(Input{Do: DoClose})
}

func TestWhatIsLeftOutIsSaid(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(5)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.do(Input{Do: DoPhase, Phase: Running, Why: "it was filled before"})
	r.report(Record{Item: Seal, Result: Done, Count: 2})
	r.report(Record{Item: Torque, Result: Done, SpecifiedNM: 12, AppliedNM: 18.6})
	r.report(Record{Item: Magnet, Result: NotDone, Note: "none there"})
	r.do(Input{Do: DoPhase, Phase: Checking})
	r.report(Record{Item: LevelAfter, Result: Low})
	r.do(Input{Do: DoPhase, Phase: Draining})
	said := r.remarks()
	for _, want := range []string{
		"back: draining again after checking", "early: running all the same: it was filled before", "skipped: there was no phase service",
		"seal: 2 seals", "torque: bolts were tightened to 18.6 N·m, 12.0 are specified", "not_done: not done: magnet cleaned: none there",
		"level: the level was judged at an unknown temperature", "missing: not recorded: the level before the service; filter changed", "gears: no gears",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("not said: %q in\n%s", want, said)
		}
	}
	for _, c := range []struct {
		rec  Record
		want string
	}{
		{Record{Item: "bolts", Result: Done}, "item: "}, {Record{Item: Pan}, "result: "}, {Record{Item: Pan, Result: Low}, "result: pan is"},
		{Record{Item: LevelAfter, Result: Done}, "result: a level"}, {Record{Item: Torque, Result: Done}, "applied_nm: "},
		{Record{Item: Torque, Result: Done, AppliedNM: -1}, "applied_nm: "}, {Record{Item: Seal, Result: Done, Count: -1}, "count: "},
	} {
		r.refused(Input{Do: DoRecord, Record: &c.rec}, c.want)
	}
	r.refused(Input{Do: DoGear, Gear: "D"}, "gears are worked in the phase running")
}
