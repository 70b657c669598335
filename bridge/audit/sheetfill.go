package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// NewSheetData computes the content of the sheet. toleranceL is as for [Judge]; its sentences
// are those of the reader.
func NewSheetData(rec *Record, rep *Report, toleranceL float64, r words.Reader) *SheetData {
	s := rep.named(r)
	j := &s.Job
	d := &SheetData{
		Shop: rec.Shop, Cart: rec.Cart, Job: rec.Job, Vehicle: j.Spec.Vehicle, From: rec.From,
		Phase: string(j.Phase), Why: j.Why, Opened: instant(j.OpenedNs),
		ReferenceC: number(j.ReferenceC), CheckC: number((j.Spec.LowC + j.Spec.HighC) / 2), Fold: fillcalc.FoldVersion, Program: rec.program(),
		Clock: clockText(s.Clock, r), Events: rep.Events, Published: rep.Published, SameName: rep.SameName, Signature: rep.Signature, Names: rep.Names,
		Verdict: Judge(rep, toleranceL, r), ServiceData: newSheetServiceData(j),
		Levels: []SheetRecord{}, Service: []SheetRecord{}, Gears: []SheetGear{}, Entries: []SheetEntry{}, Changes: []SheetChange{}, Clears: []SheetClear{},
		Notices: rep.notices(r), Calibrations: []SheetCalibration{}, Checks: []SheetCheck{}, Findings: rep.Findings, Unverified: []string{},
		Recompute: recompute(rec, rep, toleranceL), Pictures: rep.pictures(r),
	}
	if rec.Summary != nil {
		d.Chain, _ = rec.Summary.Fields[points.ChainField].(string)
	}
	rep.sheetPhases(d, j, r)
	rep.sheetVolumes(d, r)
	rep.sheetPasses(d)
	d.addWork(&s, r)
	d.addEntries(j, r)
	d.addChanges(&s)
	for _, a := range j.Fitted {
		d.Calibrations = append(d.Calibrations, newSheetCalibration(&a, s.NowNs, float64(d.CheckC)))
	}
	for _, c := range s.UseChecks() {
		d.Checks = append(d.Checks, newSheetCheck(&c, r))
	}
	d.addUnverified(r)
	return d
}

// addWork adds what was recorded and the gears.
func (d *SheetData) addWork(s *fillcalc.State, r words.Reader) {
	j := &s.Job
	for i, work := range j.Records {
		row := newSheetRecord(work, r)
		row.Corrected = j.Corrected(i)
		if work.Item == fillcalc.LevelBefore || work.Item == fillcalc.LevelAfter {
			d.Levels = append(d.Levels, row)
		} else {
			d.Service = append(d.Service, row)
		}
	}
	slices.SortStableFunc(d.Levels, func(a, b SheetRecord) int { return cmp.Compare(a.At, b.At) })
	for _, g := range j.Gears {
		d.Gears = append(d.Gears, SheetGear{g.Name, instant(g.FromNs), number(float64(cmp.Or(g.ToNs, s.NowNs)-g.FromNs) / 1e9)})
	}
}

// addEntries adds what was entered, and what was taken back.
func (d *SheetData) addEntries(j *fillcalc.Job, r words.Reader) {
	for _, e := range j.Entries {
		row := SheetEntry{string(e.What), number(e.L), number(e.UL), number(e.Share), temperature(e.TempC), instant(e.AtNs), e.By, string(e.Opening)}
		none := number(math.NaN())
		switch e.What {
		case fillcalc.EnterBottle:
			row.UL = none
		case fillcalc.EnterOpening:
			row.L, row.UL, row.Share = none, none, none
		case fillcalc.EnterDipstick:
			row.L, row.UL = none, none
		default:
			row.Share = none
		}
		d.Entries = append(d.Entries, row)
	}
	for i := range j.TakenBack {
		b := &j.TakenBack[i]
		row := SheetTakenBack{Text: r.Say(b.Text()), Took: instant(b.AtNs), Who: b.By}
		switch {
		case b.Phase != nil:
			row.At, row.By = instant(b.Phase.AtNs), b.Phase.By
		case b.Entry != nil:
			row.At, row.By = instant(b.Entry.AtNs), b.Entry.By
		default:
			row.At, row.By = instant(b.Records[0].AtNs), b.Records[0].By
		}
		d.TakenBack = append(d.TakenBack, row)
	}
}

// addChanges adds the changes of weight and the clear weighings.
func (d *SheetData) addChanges(s *fillcalc.State) {
	j := &s.Job
	for i := range j.Changes {
		c := &j.Changes[i]
		d.Changes = append(d.Changes, SheetChange{
			Change: c.ID, Sensor: c.Sensor, At: instant(c.AtNs), Kg: number(c.Kg), UKg: number(2 * math.Sqrt(c.U2)), L: number(s.ChangeL(c)),
			Cause: string(c.Cause), As: string(c.As), By: labelledBy(c), First: c.First, Last: c.Last,
		})
	}
	for i := range j.Clears {
		c := &j.Clears[i]
		row := SheetClear{Sensor: c.Sensor, At: instant(c.AtNs), By: c.By, LiveKg: number(c.LiveKg), SettledKg: number(math.NaN()), CorrectionKg: number(math.NaN())}
		if c.Settled {
			row.SettledKg, row.CorrectionKg = number(c.SettledKg), number(c.SettledKg-c.LiveKg)
		}
		d.Clears = append(d.Clears, row)
	}
}

// addUnverified lists what nobody could verify: rules, names, and who signed.
func (d *SheetData) addUnverified(r words.Reader) {
	for _, c := range d.Verdict.Criteria {
		if c.Counts && c.Outcome.ForJob() == fillcalc.NotVerified {
			d.Unverified = append(d.Unverified, c.Title+": "+strings.Join(c.Says, " "))
		}
	}
	for _, n := range d.Names {
		if n.State != names.Proven && n.State != names.Forged {
			d.Unverified = append(d.Unverified, n.For(r))
		}
	}
	if d.Signature.State == UnknownKey {
		d.Unverified = append(d.Unverified, r.Word("signature.unknown_key"))
	}
}

// recompute returns the command line that computes the same sheet again.
func recompute(rec *Record, rep *Report, toleranceL float64) string {
	text := "bayfill audit job " + rec.Job
	if rep.OpenedAt != "" {
		text += " --opened '" + rep.OpenedAt + "'"
	}
	if toleranceL != fillcalc.DefaultToleranceL {
		text += fmt.Sprintf(" --tolerance-l %g", toleranceL)
	}
	return text + " --sheet sheet.html --csv course.csv"
}

// clockText says what is wrong with the times of the events; empty: nothing.
func clockText(c *fillcalc.Clock, r words.Reader) string {
	switch {
	case c == nil:
		return ""
	case c.Unset:
		return r.Word("sheet.clock_unset")
	}
	by, key := time.Duration(c.AheadNs).Round(time.Second), "sheet.clock_ahead"
	if by < 0 {
		by, key = -by, "sheet.clock_behind"
	}
	return r.Say(fillcalc.Text{Key: key, Names: labels{"by": by.String()}})
}
