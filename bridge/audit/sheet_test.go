package audit

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

var update = flag.Bool("update", false, "write the golden sheets in testdata")

// busy plays a small job that fills each part of the sheet.
func busy(t testing.TB) *played {
	spec := vanJob()
	spec.EmptyBottleKg = 0.055
	p := open(t, calibrated(), spec)
	p.run(4, 0, 0, 0)
	p.record(fillcalc.Record{Item: fillcalc.LevelBefore, Result: fillcalc.Low, Note: "below the mark"})
	p.phase(fillcalc.Draining)
	p.run(30, 0.06, 0, 0)
	p.caddyKg += 0.8 // a tool comes and goes
	p.run(8, 0.02, 0, 0)
	p.caddyKg -= 0.8
	p.run(8, 0.01, 0, 0)
	p.caddyKg += 0.3 // the pan is tipped in
	p.run(6, 0, 0, 0)
	p.do(fillcalc.Input{Do: fillcalc.DoAnswer, Change: 3, As: fillcalc.AsFluid})
	p.do(fillcalc.Input{Do: fillcalc.DoEnter, Entry: &fillcalc.Entry{What: fillcalc.EnterSpilled, L: 0.05, UL: 0.02}})
	p.phase(fillcalc.Service)
	p.record(fillcalc.Record{Item: fillcalc.Filter, Result: fillcalc.Done})
	p.record(fillcalc.Record{Item: fillcalc.Magnet, Result: fillcalc.NotNeeded, Note: "has none"})
	p.record(fillcalc.Record{Item: fillcalc.Seal, Result: fillcalc.Done, Count: 1})
	p.by = "Ben"
	p.record(fillcalc.Record{Item: fillcalc.Torque, Result: fillcalc.Done, AppliedNM: 10.9596, Written: "97 in-lb"})
	p.run(5, 0, 0, 0)
	p.phase(fillcalc.Filling)
	p.run(2, 0, 0, 0)
	p.run(32, 0, 0.06, 0)
	p.run(6, 0, 0, 0)
	p.supplyKg += 0.9 // a full bottle is brought
	p.run(6, 0, 0, 0)
	p.phase(fillcalc.Running)
	for _, gear := range []string{"R", "N", "D", ""} {
		p.do(fillcalc.Input{Do: fillcalc.DoGear, Gear: gear})
		p.run(6, 0, 0, 0.3)
	}
	p.phase(fillcalc.Checking)
	p.run(8, 0, 0.05, 0.3)
	p.run(22, 0, 0, 0.3)
	p.record(levelRight)
	p.run(5, 0, 0, 0)
	return p.end()
}

func sheetOf(t testing.TB, rec *Record) (page string, d *SheetData) {
	t.Helper()
	rep := Check(rec, testTrust)
	var b strings.Builder
	if err := WriteSheet(&b, rec, rep, fillcalc.DefaultToleranceL, words.Plain, playedAt); err != nil {
		t.Fatal(err)
	}
	return b.String(), NewSheetData(rec, rep, fillcalc.DefaultToleranceL, words.Plain)
}

// The sheet of a small job, as JSON and as a page, equals the golden files, which
// somebody has looked at. -update writes both.
func TestSheetGolden(t *testing.T) {
	page, d := sheetOf(t, busy(t).keep())
	text, err := json.MarshalIndent(d, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string]string{"sheet.json": string(text) + "\n", "sheet.html": page} {
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.MkdirAll("testdata", 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			a, b := strings.Split(got, "\n"), strings.Split(string(want), "\n")
			for i := range min(len(a), len(b)) {
				if a[i] != b[i] {
					t.Fatalf("%s:%d: got %.200q, want %.200q", path, i+1, a[i], b[i])
				}
			}
			t.Fatalf("%s: %d lines, want %d", path, len(a), len(b))
		}
	}
	if d.Verdict.Outcome != fillcalc.Passed {
		t.Errorf("%+v", d.Verdict)
	}
}

// A reader with other units has them beside SI, and the words of their language.
func TestSheetForAReader(t *testing.T) {
	rec := busy(t).keep()
	var b strings.Builder
	if err := WriteSheet(&b, rec, Check(rec, testTrust), fillcalc.DefaultToleranceL, words.Reader{Language: words.Spanish, Units: units.US}, playedAt); err != nil {
		t.Fatal(err)
	}
	page, _ := sheetOf(t, rec)
	for _, want := range []string{"<th class=\"n\">qt a 20 °C</th>", " in-lb)", " °F – ", "imán limpio", "junta del filtro", "Sin anotar: cárter limpio"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the sheet does not say %q", want)
		}
		if strings.Contains(page, want) {
			t.Errorf("the sheet in English and SI says %q", want)
		}
	}
	noEnglish(t, b.String())
	if shots := os.Getenv("BAYFILL_SCREENSHOTS"); shots != "" {
		if err := os.WriteFile(filepath.Join(shots, "sheet-us-es.html"), []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

const evil = `</style><script>x()</script>"><img src=x onerror=x()> ` + "\u202e\u2066\u200f\x00" + `'&WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW`

// hostile plays a job with that text in every place where people may write.
func hostile(t testing.TB) (*Record, *Report) {
	setup, spec := calibrated(), vanJob()
	spec.Vehicle, spec.ServiceData, spec.Fresh.Name, spec.Used.Name = evil, evil, evil, evil
	spec.AskedFluid, spec.OtherFluid, spec.OtherFluidBy = "amber 8", evil, evil
	spec.Gears = "R </svg><"
	p := open(t, setup, spec)
	p.by = evil
	p.run(3, 0, 0, 0)
	p.record(fillcalc.Record{Item: fillcalc.LevelBefore, Result: fillcalc.Low, Note: evil})
	p.record(fillcalc.Record{Item: fillcalc.Torque, Result: fillcalc.Done, AppliedNM: 9, Written: evil, Note: evil})
	p.phase(fillcalc.Draining)
	p.run(5, 0.05, 0, 0)
	p.do(fillcalc.Input{Do: fillcalc.DoEnter, Entry: &fillcalc.Entry{What: fillcalc.EnterSpilled, L: 0.05}})
	p.do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: fillcalc.Running, Why: evil})
	p.do(fillcalc.Input{Do: fillcalc.DoGear, Gear: "</svg><"})
	p.caddyKg++
	p.run(8, 0, 0, 0)
	p.do(fillcalc.Input{Do: fillcalc.DoAnswer, Change: 1, As: fillcalc.AsThing})
	p.do(fillcalc.Input{Do: fillcalc.DoAbandon, Why: evil})
	rec := p.keep()
	rep := Check(rec, testTrust)
	rep.find(Altered, 1, 0, "finding.signature", nil, labels{"why": evil})
	rec.Job, rec.Shop, rec.Cart, rec.From = evil, evil, evil, evil // no bridge takes such names
	return rec, rep
}

// Everything that people write is shown as text, wherever it appears.
func TestSheetEscapesText(t *testing.T) {
	rec, rep := hostile(t)
	var b strings.Builder
	if err := WriteSheet(&b, rec, rep, fillcalc.DefaultToleranceL, words.Plain, playedAt); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	if n := strings.Count(page, "&lt;script&gt;"); n < 15 {
		t.Errorf("it is shown only %d times", n)
	}
	for _, tag := range []string{"<script", "<img", "</svg><", "<link", "<iframe", " onerror=x()>"} {
		if strings.Contains(page, tag) {
			t.Errorf("the page has %s", tag)
		}
	}
	if strings.ContainsAny(page, "\u202e\u2066\u200f\x00") || !strings.Contains(page, "[U+202E]") {
		t.Error("a name changes the direction of what follows")
	}
	if strings.Count(page, "</style>") != 1 {
		t.Error("the style ends twice")
	}
	outside := regexp.MustCompile(`(?i)(https?:|//[a-z]|url\(|@import|src=|href=)`)
	if at := outside.FindString(strings.ReplaceAll(page, "src=x", "")); at != "" {
		t.Errorf("the page needs %s", at)
	}
}

// The sheet says what became of a job, whatever that is.
func TestSheetOfOtherJobs(t *testing.T) {
	abandoned := func() *Record {
		p := open(t, calibrated(), vanJob())
		p.run(3, 0, 0, 0)
		p.by = "Cleo"
		p.do(fillcalc.Input{Do: fillcalc.DoAbandon, Why: "wrong van"})
		return p.keep()
	}
	for name, c := range map[string]struct {
		rec  func() *Record
		says []string
	}{
		"abandoned": {abandoned, []string{"<strong>failed</strong>", "by Cleo; given up: wrong van", "<td>given up</td>", "Override: given up: wrong van."}},
		"no level": {func() *Record { return byTheBook(t, calibrated(), vanJob()).topUp().end().keep() },
			[]string{"<strong>not verified</strong>", "No level check is on record.", "<li>The level, judged inside the check window: No level check is on record.</li>"}},
		"findings": {func() *Record {
			rec := busy(t).keep()
			rec.Points = append(rec.Points[:400], rec.Points[420:]...)
			return rec
		}, []string{"<strong>failed</strong>", "<td>missing</td>", "The record is altered or incomplete."}},
		"open": {func() *Record { return byTheBook(t, calibrated(), vanJob()).keep() },
			[]string{"<strong>not verified</strong>", "– (checking)", "<td>still open</td>"}},
		"a restart": {func() *Record {
			p := byTheBook(t, calibrated(), vanJob())
			p.do(fillcalc.Input{Do: fillcalc.DoStart, Setup: calibrated()})
			p.run(5, 0, 0, 0)
			p.topUp()
			p.record(levelRight)
			return p.end().keep()
		}, []string{"the program began to measure anew", "<strong>passed</strong>"}},
		"nothing": {func() *Record { return &Record{Job: "gone"} }, []string{"<strong>failed</strong>", "There is nothing to draw."}},
	} {
		page, d := sheetOf(t, c.rec())
		for _, says := range c.says {
			if !strings.Contains(page, says) {
				t.Errorf("%s: the sheet does not say %q", name, says)
			}
		}
		text, err := json.Marshal(d)
		if err != nil || strings.Contains(page, "NaN") {
			t.Errorf("%s: NaN in it, %v", name, err)
		}
		var fields map[string]any
		if err := json.Unmarshal(text, &fields); err != nil {
			t.Error(err)
		}
		for _, list := range []string{"phases", "volumes", "levels", "service", "gears", "entries", "changes", "clear_weighings", "notices", "calibrations", "checks_by_use", "findings", "unverified"} {
			if _, ok := fields[list].([]any); !ok {
				t.Errorf("%s: %s is %v", name, list, fields[list])
			}
		}
	}
}

// The sheet says each check by use in one sentence, with an expanded uncertainty.
func TestSheetOfChecksByUse(t *testing.T) {
	for _, c := range []struct {
		check fillcalc.UseCheck
		want  string
	}{
		{fillcalc.UseCheck{Kind: fillcalc.CheckSlope, Sensor: "pump", Value: -0.004, U: 0.0095}, "Scale pump: full bottles weigh −0.40 ± 1.90 % more than their label says."},
		{fillcalc.UseCheck{Kind: fillcalc.CheckZero, Sensor: "pan", Value: 0.031, U: 0.0125}, "Scale pan: the emptied caddy weighs 31 ± 25 g more than by itself, the film that stays in it counted."},
		{fillcalc.UseCheck{Kind: fillcalc.CheckBalance, Value: 0.012, U: 0.031}, "The cart's scales: with the level right before and after, 1.20 ± 6.20 % more was added than drained."},
	} {
		if row := newSheetCheck(&c.check, words.Plain); row.Text != c.want {
			t.Errorf("%q, want %q", row.Text, c.want)
		}
	}
	page, d := sheetOf(t, byTheBook(t, calibrated(), vanJob()).topUp().end().keep())
	if len(d.Checks) > 0 || !strings.Contains(page, "The job says nothing about its scales.") {
		t.Errorf("without a level: %+v", d.Checks)
	}
}

// The level that was right before and after a job checks its balance. The closing record
// holds the check, and an audit notices when it was altered.
func TestAuditComparesTheChecks(t *testing.T) {
	p := byTheBook(t, calibrated(), vanJob()).topUp()
	p.record(levelRight)
	rec := p.end().keep()
	was, there := rec.Summary.Fields["check_balance"].(float64)
	if rep := Check(rec, testTrust); !there || !rep.SameAndComplete() {
		t.Fatalf("%v: %+v", rec.Summary.Fields, rep.Findings)
	}
	if _, d := sheetOf(t, rec); len(d.Checks) != 1 || d.Checks[0].Kind != "balance" {
		t.Errorf("%+v", d.Checks)
	}
	rec.Summary.Fields["check_balance"] = math.Nextafter(was, 1)
	if rep := Check(rec, testTrust); rep.Complete || !strings.Contains(rep.Findings[0].Text, "its check_balance is") {
		t.Errorf("altered: %+v", rep.Findings)
	}
}

// The times and litres of pours are found in the course of a job.
func TestPours(t *testing.T) {
	rep := Check(busy(t).keep(), testTrust)
	c := rep.course(words.Plain)
	if len(c.pours[0]) == 0 || len(c.pours[1]) != 2 {
		t.Fatalf("%+v", c.pours)
	}
	fill := c.pours[1][0]
	if want := 32 * 0.06 / 0.842; math.Abs(fill.litres-want) > 0.03 {
		t.Errorf("poured %.3f L, want %.3f", fill.litres, want)
	}
	if took := float64(fill.toNs-fill.fromNs) / 1e9; took < 31 || took > 42 {
		t.Errorf("in %.1f s", took)
	}
	if len(c.open) != 1 || c.open[0].toNs-c.open[0].fromNs < 10e9 {
		t.Errorf("the window was open %+v", c.open)
	}
}

// There is a row for each second, with the state of the fold at that moment. Unknown
// values are empty.
func TestCSV(t *testing.T) {
	p := byTheBook(t, calibrated(), vanJob()).topUp()
	p.record(levelRight)
	p.mute["supply-scale"], p.mute["fluid-probe"] = true, true
	silentNs := p.atNs
	p.run(15, 0, 0, 0)
	p.mute["supply-scale"] = false
	p.run(6, 0, 0, 0)
	p.end()
	rep := Check(p.keep(), testTrust)
	var b bytes.Buffer
	if err := WriteCSV(&b, rep); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], " "); got != "time phase caddy-scale_shown_kg supply-scale_shown_kg reference_c drained_l drained_u_l added_l added_u_l undecided_l fluid_c window quality" {
		t.Errorf("head %s", got)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	firstNs, lastNs := rep.events[0].AtNs, rep.events[len(rep.events)-1].AtNs
	if want := int(lastNs/1e9-firstNs/1e9) + 1; len(rows)-1 != want {
		t.Errorf("%d rows, want %d", len(rows)-1, want)
	}
	v := rep.state.Volumes()
	if last := rows[len(rows)-1]; last[column["drained_l"]] != fmt.Sprint(v.DrainedL) || last[column["phase"]] != "closed" {
		t.Errorf("the last row is %v, want %v L", last, v.DrainedL)
	}
	at := func(ns int64) []string {
		want := time.Unix(0, ns/1e9*1e9).UTC().Format(time.RFC3339Nano)
		for _, row := range rows {
			if row[0] == want {
				return row
			}
		}
		t.Fatalf("no row at %s", want)
		return nil
	}
	for _, c := range []struct {
		afterS int64
		column string
		known  bool
	}{{-3, "supply-scale_shown_kg", true}, {-3, "added_l", true}, {-3, "fluid_c", true}, {6, "supply-scale_shown_kg", false}, {6, "added_l", false},
		{6, "caddy-scale_shown_kg", true}, {6, "drained_l", true}, {6, "fluid_c", true}, {13, "fluid_c", false}, {20, "added_l", true}} {
		if row := at(silentNs + c.afterS*1e9); (row[column[c.column]] != "") != c.known {
			t.Errorf("%d s after: %s is %q", c.afterS, c.column, row[column[c.column]])
		}
	}
	b.Reset()
	if err := WriteCSV(&b, Check(&Record{Job: "gone"}, testTrust)); err != nil || strings.Count(b.String(), "\n") != 1 {
		t.Errorf("of nothing: %q, %v", b.String(), err)
	}
}

// studied plays a job of the study, with the disturbances of a workshop, and adds a
// probe and records of work to it.
func studied(t testing.TB, seed uint64, number int) *Record {
	p := newPlayed(t)
	p.by = "Ada"
	var probeNs, gearNs int64
	fluidC, gears := 25.0, []string{"R", "N", "D", "2", ""}
	setup := calibrated()
	// Only a few readings per second, so that the test is quick.
	d, err := study.ParseDistribution([]byte("scale: {rate_hz: [5]}"))
	if err != nil {
		t.Fatal(err)
	}
	events := study.Events(d, seed, number)
	shift := playedAt.UnixNano() - events[0].AtNs
	for _, e := range events {
		if now := e.AtNs + shift; now > p.atNs {
			p.atNs = now
		} else {
			p.atNs++
		}
		if phase := p.s.Job.Phase; p.atNs-probeNs >= 1e9 && p.s.Seq > 0 {
			probeNs = p.atNs
			if phase == fillcalc.Running || phase == fillcalc.Checking {
				fluidC += (41.5 - fluidC) * 0.02
			}
			p.frames++
			p.take(fillcalc.Event{Kind: fillcalc.KindTemperature, Sensor: "fluid-probe", N: p.frames, Value: fluidC + 0.05*math.Sin(float64(p.frames))})
			p.atNs++
			if phase == fillcalc.Running && len(gears) > 0 && p.atNs-gearNs > 6e9 {
				gearNs = p.atNs
				p.do(fillcalc.Input{Do: fillcalc.DoGear, Gear: gears[0]})
				gears = gears[1:]
				p.atNs++
			}
		}
		if e.Faults.Hidden() {
			e.Value = 0
		}
		if e.Input == nil || e.Input.Do == fillcalc.DoTick {
			p.take(e)
			continue
		}
		in := *e.Input
		switch in.Do {
		case fillcalc.DoStart, fillcalc.DoOpen:
			if in.Setup == nil {
				in.Setup = &p.s.Setup
			}
			own := *in.Setup
			own.Shop, own.Cart = "hilltop", "bay2"
			own.Scales = append([]fillcalc.ScaleSetup{}, own.Scales...)
			for i := range own.Scales {
				own.Scales[i].Calibration = setup.Scales[0].Calibration
			}
			own.Probe = setup.Probe
			in.Setup = &own
			if in.Do == fillcalc.DoOpen {
				spec := *in.Job
				spec.ID, spec.Vehicle, spec.Check, spec.BetweenMarksL, spec.TotalL = fmt.Sprintf("estate-%d", number), "estate, 2.4", fillcalc.ByDipstick, 0.35, 11
				in.Job = &spec
				p.events = nil
			}
		case fillcalc.DoPhase:
			if in.Phase == fillcalc.Filling {
				for _, item := range []fillcalc.Item{fillcalc.Filter, fillcalc.Magnet, fillcalc.Pan, fillcalc.Flange, fillcalc.Gasket} {
					p.record(fillcalc.Record{Item: item, Result: fillcalc.Done})
				}
				p.record(fillcalc.Record{Item: fillcalc.Seal, Result: fillcalc.Done, Count: 1})
				p.record(fillcalc.Record{Item: fillcalc.Torque, Result: fillcalc.Done, SpecifiedNM: 18.6, AppliedNM: 18.6427, Written: "165 in-lb"})
			}
		case fillcalc.DoClose:
			p.record(levelRight)
		}
		p.do(in)
	}
	return p.keep()
}

// TestSheetShowsWhatWasPutRight checks that a record which a later one corrects says so, and
// that what was taken back is listed.
func TestSheetShowsWhatWasPutRight(t *testing.T) {
	p := open(t, calibrated(), vanJob())
	p.run(4, 0, 0, 0)
	p.phase(fillcalc.Draining)
	p.run(20, 0.05, 0, 0)
	p.run(8, 0, 0, 0)
	p.phase(fillcalc.Service)
	p.do(fillcalc.Input{Do: fillcalc.DoEnter, Entry: &fillcalc.Entry{What: fillcalc.EnterSpilled, L: 3}})
	p.run(2, 0, 0, 0)
	p.do(fillcalc.Input{Do: fillcalc.DoUndo})
	p.record(fillcalc.Record{Item: fillcalc.Filter, Result: fillcalc.NotDone})
	p.run(2, 0, 0, 0)
	p.record(fillcalc.Record{Item: fillcalc.Filter, Result: fillcalc.Done})
	rec := p.end().keep()
	rep := Check(rec, testTrust)
	d := NewSheetData(rec, rep, fillcalc.DefaultToleranceL, words.Plain)
	if len(d.Service) != 2 || !d.Service[0].Corrected || d.Service[1].Corrected {
		t.Errorf("service: %+v", d.Service)
	}
	if b := d.TakenBack; len(b) != 1 || b[0].Text != "Spilled: 3.00 L" || b[0].By != "Ada" || b[0].Who != "Ada" || b[0].Took-b[0].At < 2e9 || len(d.Entries) != 0 {
		t.Errorf("taken back: %+v", b)
	}
	var page bytes.Buffer
	if err := WriteSheet(&page, rec, rep, fillcalc.DefaultToleranceL, words.Plain, playedAt); err != nil || !strings.Contains(page.String(), "Taken back") || !strings.Contains(page.String(), "not done, corrected later") {
		t.Errorf("the page does not show it: %v", err)
	}
}
