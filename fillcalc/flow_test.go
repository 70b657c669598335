package fillcalc

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
)

func (r *rig) remarks() string {
	var list []string
	for _, remark := range r.s.Remarks() {
		list = append(list, plain(remark))
	}
	return strings.Join(list, "\n")
}

// plain writes a text with its figures and names in the order of the alphabet.
func plain(t Text) string {
	text := t.Key
	for _, name := range slices.Sorted(maps.Keys(t.Figures)) {
		text += fmt.Sprintf(" %s=%.2f", name, t.Figures[name])
	}
	for _, name := range slices.Sorted(maps.Keys(t.Names)) {
		text += fmt.Sprintf(" %s=%s", name, t.Names[name])
	}
	return text
}

func (r *rig) next() string {
	var texts []string
	for _, ask := range r.s.Next() {
		texts = append(texts, plain(ask.Text))
	}
	return strings.Join(texts, "\n")
}

// report records a work, with the reason of one who insists.
func (r *rig) report(record Record) {
	r.t.Helper()
	r.do(Input{Do: DoRecord, Record: &record, By: "somebody", Why: record.Why})
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
	asked("ask.open")
	r.rest(4)
	r.do(Input{Do: DoOpen, Job: aJob(), By: "somebody"})
	r.rest(3)
	asked("ask.record item=level_before")
	r.report(Record{Item: LevelBefore, Result: Low})
	r.do(Input{Do: DoPhase, Phase: Draining})
	asked("ask.run_dry")
	r.scene(60, steady(0.05), nil, nil)
	r.rest(120)
	asked("ask.drips more_l=0.00")
	r.do(Input{Do: DoPhase, Phase: Service})
	asked("ask.record item=seal")
	for _, item := range []Item{Filter, Magnet, Pan, Flange, Gasket} {
		r.report(Record{Item: item, Result: Done})
	}
	r.report(Record{Item: Seal, Result: Done, Count: 1})
	r.report(Record{Item: Torque, Result: Done, SpecifiedNM: 165 * NewtonMetresPerPoundInch, AppliedNM: 18.6, Written: "165 in-lb"})
	asked("ask.pan_closed")
	r.do(Input{Do: DoPhase, Phase: Filling})
	asked("ask.pour more_l=")
	r.refused(Input{Do: DoPhase, Phase: Running}, "refuse.too_little_in")
	r.scene(60, nil, steady(0.05), nil)
	r.rest(4)
	asked("ask.engine")
	r.do(Input{Do: DoPhase, Phase: Running})
	r.do(Input{Do: DoGear, Gear: "R"})
	asked("ask.hold left_s=5.00 gear=R")
	r.rest(3)
	asked("ask.hold left_s=2.00 gear=R")
	r.do(Input{Do: DoGear, Gear: "D"})
	r.rest(6)
	r.report(Record{Item: Leaks, Result: Done})
	r.do(Input{Do: DoPhase, Phase: Checking})
	if g := r.s.Job.Gears; len(g) != 2 || g[1].ToNs == 0 || g[0].ToNs-g[0].FromNs < 2.9e9 {
		t.Errorf("gears %+v", g)
	}
	r.rest(10)
	r.warm(30)
	asked("ask.wait")
	r.warm(40)
	asked("ask.level at_c=4")
	r.report(Record{Item: LevelAfter, Result: Right})
	asked("ask.close")
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
		"remark.back at=", "phase=draining", "remark.early phase=running why=it was filled before", "remark.skipped phase=service",
		"remark.seal count=2.00", "remark.torque applied_nm=18.60 specified_nm=12.00", "remark.not_done item=magnet note=none there",
		"remark.level_at at_c=NaN", "remark.missing item=level_before filter ", "remark.gears",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("not said: %q in\n%s", want, said)
		}
	}
	for _, c := range []struct {
		rec  Record
		want string
	}{
		{Record{Item: "bolts", Result: Done}, "item: "}, {Record{Item: Pan}, "result: "}, {Record{Item: Pan, Result: Low}, "result: refuse.choice"},
		{Record{Item: LevelAfter, Result: Done}, "result: refuse.choice"}, {Record{Item: Torque, Result: Done}, "applied: "},
		{Record{Item: Torque, Result: Done, AppliedNM: -1}, "applied: "}, {Record{Item: Seal, Result: Done, Count: -1}, "count: "},
	} {
		r.refused(Input{Do: DoRecord, Record: &c.rec}, c.want)
	}
	r.refused(Input{Do: DoGear, Gear: "D"}, "do: refuse.gear_phase")
}
