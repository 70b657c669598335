package audit

import (
	"cmp"
	"math"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// labelledBy returns who said what a change was: a person, or the signal; empty while it
// is undecided.
func labelledBy(c *fillcalc.Change) string {
	switch {
	case c.Said != "":
		return cmp.Or(c.By, "–")
	case c.As != "":
		return fillcalc.BySignal
	}
	return ""
}

func temperature(celsius *float64) number {
	if celsius == nil {
		return number(math.NaN())
	}
	return number(*celsius)
}

func newSheetServiceData(j *fillcalc.Job) SheetServiceData {
	p := &j.Spec
	return SheetServiceData{
		Name: p.ServiceData, Fluid: p.Fresh.Name, Batch: p.Batch, UsedFluid: p.Used.Name, AskedFluid: p.AskedFluid, OtherFluid: p.OtherFluid, OtherFluidBy: p.OtherFluidBy,
		FreshKgM3: number(j.FreshKgM3), UsedKgM3: number(j.UsedKgM3), Check: string(p.Check), LowC: number(p.LowC), HighC: number(p.HighC),
		TypicalL: number(p.TypicalL), TotalL: number(p.TotalL), BottleL: number(p.BottleL), EmptyBottleKg: number(p.EmptyBottleKg), BetweenMarksL: number(p.BetweenMarksL),
		FirstFillPct: number(100 * p.FirstFill), BoltTorqueNM: number(p.BoltTorqueNM), BalanceBandL: number(p.BalanceBandL),
	}
}

// sheetPhases fills in the phases with their durations, and who opened and ended the
// job.
func (r *Report) sheetPhases(d *SheetData, j *fillcalc.Job, reader words.Reader) {
	d.Phases = []SheetPhase{}
	for _, p := range j.Phases {
		d.Phases = append(d.Phases, SheetPhase{string(p.Phase), instant(p.AtNs), number(math.NaN()), p.By, p.Why})
	}
	ended := j.Phase == fillcalc.Closed || j.Phase == fillcalc.Abandoned
	if ended {
		last := r.events[len(r.events)-1]
		d.Ended = instant(j.PhaseNs)
		if last.Input != nil {
			d.EndedBy = r.nameOf(last.Input.By, reader)
		}
		if j.Phase == fillcalc.Abandoned { // the fold does not list this phase
			d.Phases = append(d.Phases, SheetPhase{string(j.Phase), d.Ended, number(math.NaN()), d.EndedBy, ""})
		}
		d.Phases[len(d.Phases)-1].Why = j.Why
	}
	for i := range len(d.Phases) - 1 {
		d.Phases[i].DurationS = number(float64(d.Phases[i+1].At-d.Phases[i].At) / 1e9)
	}
	if len(d.Phases) > 0 {
		d.OpenedBy = d.Phases[0].By
	}
}

func newSheetRecord(r fillcalc.Record, reader words.Reader) SheetRecord {
	return SheetRecord{
		Item: string(r.Item), Text: reader.Word("item." + string(r.Item)), Result: string(r.Result), Count: r.Count, SpecifiedNM: number(r.SpecifiedNM), AppliedNM: number(r.AppliedNM),
		Written: r.Written, Part: r.Part, Note: r.Note, At: instant(r.AtNs), By: r.By, Entered: instant(r.EnteredNs), Phase: string(r.Phase), Window: string(r.Window), TempC: temperature(r.TempC),
	}
}

func newSheetCalibration(a *fillcalc.Fitted, nowNs int64, checkC float64) SheetCalibration {
	nan := number(math.NaN())
	c := SheetCalibration{Sensor: a.Sensor, Role: a.Role, Slope: nan, UPct: nan, OffsetC: nan, UC: nan}
	c.Outcome = a.Judge(nowNs).Outcome
	switch {
	case a.Scale != nil:
		c.At, c.Due = instant(a.Scale.AtNs), instant(a.Scale.DueNs)
		c.Slope, c.UPct = number(a.Scale.Slope), number(100*a.Scale.GainU(nowNs))
	case a.Probe != nil:
		c.At, c.Due = instant(a.Probe.AtNs), instant(a.Probe.DueNs)
		c.Slope, c.OffsetC, c.UC = number(a.Probe.Gain), number(a.Probe.OffsetC), number(a.Probe.UAt(checkC))
	}
	return c
}

// newSheetCheck says a check in a sentence.
func newSheetCheck(c *fillcalc.UseCheck, r words.Reader) SheetCheck {
	row := SheetCheck{Kind: string(c.Kind), Sensor: c.Sensor, Value: number(100 * c.Value), U: number(200 * c.U), Unit: "%"}
	key := "sheet.check_balance"
	switch c.Kind {
	case fillcalc.CheckSlope:
		key = "sheet.check_slope"
	case fillcalc.CheckZero:
		key = "sheet.check_zero"
		row.Value, row.U, row.Unit = number(1000*c.Value), number(2000*c.U), "g"
	}
	decimals := map[string]int{"%": 2, "g": 0}[row.Unit]
	row.Text = r.Say(fillcalc.Text{Key: key, Names: labels{"sensor": c.Sensor, "value": row.Value.Fixed(decimals), "u": row.U.Fixed(decimals)}})
	return row
}
