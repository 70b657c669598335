package fillcalc

import (
	"fmt"
	"strings"
	"testing"
)

// plan writes the gear plan in short: + done, > next, and the seconds held.
func (r *rig) gears() string {
	var list []string
	for _, g := range r.s.GearPlan() {
		text := fmt.Sprintf("%s%.0f", g.Name, g.HeldS)
		if g.Done {
			text = "+" + text
		}
		if g.Next {
			text = ">" + text
		}
		list = append(list, text)
	}
	return strings.Join(list, " ")
}

func running(t *testing.T, spec *JobSpec) *rig {
	r := drained(t, twoScales(), spec)
	r.scene(52, nil, steady(0.05), nil)
	r.rest(6)
	r.do(Input{Do: DoPhase, Phase: Running})
	return r
}

// The gears run as one sequence: what is done, what is held, what comes. One that was left too
// soon comes again.
func TestGearPlan(t *testing.T) {
	r := running(t, aJob())
	want := func(plan, key string) {
		t.Helper()
		ask, ok := r.s.gearWork()
		if got := r.gears(); got != plan || ask.Key != key || ok != (key != "") {
			t.Errorf("plan %q asks %q, want %q and %q", got, ask.Key, plan, key)
		}
	}
	gear := func(name string) { t.Helper(); r.do(Input{Do: DoGear, Gear: name}) }
	want(">R0 N0 D0 P0", "ask.gears")
	gear("R")
	want("R0 >N0 D0 P0", "ask.hold")
	r.rest(5)
	gear("N")
	r.rest(2)
	gear("D")
	want("+R5 >N2 D0 P0", "ask.hold")
	r.rest(5)
	want("+R5 >N2 +D5 P0", "ask.gear_next")
	gear("N")
	r.rest(5)
	gear("")
	want("+R5 +N7 +D5 >P0", "ask.gear_next")
	gear(AllGears)
	want("+R5 +N7 +D5 +P0", "")
	if g := r.s.Job.Gears; len(g) != 5 || !g[4].Said || g[4].Name != "P" {
		t.Errorf("gears %+v", g)
	}
}

// The service data name the gears.
func TestGearsOfTheServiceData(t *testing.T) {
	spec := aJob()
	spec.Gears = "R D 2"
	r := running(t, spec)
	r.do(Input{Do: DoGear, Gear: AllGears})
	if got := r.gears(); got != "+R0 +D0 +20" {
		t.Errorf("plan %q", got)
	}
	for _, list := range []string{"R R", "all", "123456789", strings.Repeat("a b ", 9)} {
		if err := CheckGears(list); err == nil {
			t.Errorf("%q is accepted", list)
		}
	}
}

// A list that was read is one input: all its items are on record, and undo takes back all.
func TestListIsRecordedAtOnce(t *testing.T) {
	r := started(t, twoScales(), aJob(), Service)
	list := Input{Do: DoRecord, Record: &Record{Result: Done}, Items: []Item{Filter, Magnet, Pan}, By: "Ada"}
	r.do(list)
	if n := len(r.s.Job.Records); n != 3 || r.s.Job.recorded(Pan).By != "Ada" {
		t.Errorf("%d records", n)
	}
	r.refused(list, "item: refuse.twice")
	r.refused(Input{Do: DoRecord, Record: &Record{Result: Done}, Items: []Item{Flange, Torque}}, "applied: ")
	r.refused(Input{Do: DoRecord, Record: &Record{Result: Done}, Items: []Item{"wheel"}}, "item: ")
	r.refused(Input{Do: DoRecord, Record: &Record{Result: Done}}, "item: ")
	r.undo(3)
	if n := len(r.s.Job.Records); n != 0 || len(r.s.Job.TakenBack[0].Records) != 3 {
		t.Errorf("%d records are left, taken back %+v", n, r.s.Job.TakenBack)
	}
}

// A gear that neither the job's list nor any gearbox has is asked about; a list may name its own.
func TestGearIsOneThatThereIs(t *testing.T) {
	spec := aJob()
	spec.Gears = "R N D Low"
	for list, r := range map[string]*rig{"usual": running(t, aJob()), "own": running(t, spec)} {
		for _, name := range []string{"", AllGears, "P", "R", "N", "D", "L", "S", "M", "1", "10", "D1", "D10"} {
			if err := Check(&r.s, &Input{Do: DoGear, Gear: name}); err != nil {
				t.Errorf("%s, gear %q: %v", list, name, err)
			}
		}
		for _, name := range []string{"X", "r", "0", "11", "D0", "R N", "the long way"} {
			r.refused(Input{Do: DoGear, Gear: name}, "gear: refuse.gear_name")
		}
		if err := Check(&r.s, &Input{Do: DoGear, Gear: "Low"}); (err == nil) != (list == "own") {
			t.Errorf("%s, gear Low: %v", list, err)
		}
	}
}
