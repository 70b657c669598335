package audit

import (
	"cmp"
	_ "embed"
	"html/template"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// ticket is a sheet's content in the words and units of one reader, cut to what fits on one
// small page.
type ticket struct {
	Lang                     words.Language
	Title, Shop, Job         string
	Outcome                  fillcalc.Outcome
	Verdict, State           string
	Missing                  []string // why the verdict is not better
	Figures                  []ticketRow
	Lines, Facts             []ticketRow // of a sheet's first page
	Rows                     []ticketRow
	WorkTitle                string
	Work                     []ticketRow
	CautionsTitle            string
	Cautions                 []string
	Footer                   string
	sheet                    *SheetData
	reader                   words.Reader
	added, drained, overflow *SheetVolume // nil: not in the sheet
	target                   *SheetVolume
}

// ticketRow is a label with its text, and what belongs to it in smaller letters.
type ticketRow struct {
	Label, Text string
	Also        []string
}

//go:embed ticket.html
var ticketPage string

var ticketTemplate = sync.OnceValue(func() *template.Template { return template.Must(template.New("ticket").Parse(ticketPage)) })

// WriteTicket writes the ticket of a job for a reader: one page of HTML that needs no other
// file and no script, and prints on A5 and half Letter. toleranceL is as for [Judge].
func WriteTicket(w io.Writer, rec *Record, rep *Report, toleranceL float64, reader words.Reader) error {
	return writePage(w, ticketTemplate(), newTicket(NewSheetData(rec, rep, toleranceL, reader), reader))
}

// Of what people wrote so many letters fit on the page.
const (
	longText  = 56
	shortText = 28
)

// cut shortens a text to a number of letters.
func cut(text string, letters int) string {
	if runes := []rune(text); len(runes) > letters {
		return string(runes[:letters-1]) + "…"
	}
	return text
}

func newTicket(d *SheetData, reader words.Reader) *ticket {
	t := &ticket{
		Lang: reader.Language, Title: reader.Word("ticket.title"), Shop: cut(d.Shop, shortText), Outcome: d.Verdict.Outcome, Verdict: reader.Word("outcome." + string(d.Verdict.Outcome)),
		WorkTitle: reader.Word("ticket.work"), CautionsTitle: reader.Word("ticket.with"), sheet: d, reader: reader,
	}
	t.Job = t.say("ticket.job", nil, map[string]string{"job": cut(d.Job, longText)})
	if d.Ended == 0 {
		t.State = t.say("ticket.still_open", nil, map[string]string{"phase": d.Phase})
	}
	for _, c := range d.Verdict.Criteria {
		if c.Counts && c.Outcome != fillcalc.Passed {
			t.Missing = append(t.Missing, c.Title+": "+reader.Word("outcome."+string(c.Outcome)))
		}
	}
	t.volumes()
	t.Figures = []ticketRow{t.outRow(), t.inRow(), t.levelRow()}
	torque, parts := ticketRow{Label: reader.Word("ticket.torque"), Text: t.torque()}, ticketRow{Label: reader.Word("ticket.parts"), Text: strings.Join(t.parts(), "; ")}
	t.Lines = append(t.Figures[:3:3], torque, parts)
	for i := range t.Lines {
		t.Lines[i].Text = cmp.Or(t.Lines[i].Text, "–")
	}
	t.addFacts()
	for _, row := range append(t.Facts, torque, parts) {
		if row.Text != "" {
			t.Rows = append(t.Rows, row)
		}
	}
	t.addWork()
	for _, key := range []string{"caution.used_oil", "caution.rags", "caution.warm_up", "caution.defers"} {
		t.Cautions = append(t.Cautions, reader.Word(key))
	}
	t.Footer = t.say("ticket.footer", map[string]float64{"reference_c": float64(d.ReferenceC)}, map[string]string{"cart": cut(d.Cart, shortText), "job": cut(d.Job, longText)})
	return t
}

// say makes a sentence of the catalogue.
func (t *ticket) say(key string, figures map[string]float64, names map[string]string) string {
	return t.reader.Say(fillcalc.Text{Key: key, Figures: figures, Names: names})
}

// volumes finds the volumes of the ticket among those of the sheet.
func (t *ticket) volumes() {
	for i := range t.sheet.Volumes {
		switch v := &t.sheet.Volumes[i]; v.Name {
		case "drained":
			t.drained = v
		case "added":
			t.added = v
		case "overflow":
			t.overflow = v
		case "target":
			t.target = v
		}
	}
}

// amount prints a volume with its uncertainty, both in one unit.
func (t *ticket) amount(v *SheetVolume) string {
	if v == nil || !isNumber(float64(v.L)) {
		return "–"
	}
	unit := t.reader.Units.VolumeUnit(float64(v.L))
	text := unit.Digits(float64(v.L))
	if isNumber(float64(v.UL)) {
		text += " ± " + unit.Digits(float64(v.UL))
	}
	return text + " " + unit.Symbol
}

func (t *ticket) outRow() ticketRow {
	row := ticketRow{Label: t.reader.Word("ticket.out"), Text: t.amount(t.drained)}
	moreL := 0.0
	for _, e := range t.sheet.Entries {
		if e.What == string(fillcalc.EnterSpilled) || e.What == string(fillcalc.EnterRetained) {
			moreL += float64(e.L)
		}
	}
	if moreL > 0 {
		row.Also = append(row.Also, t.say("ticket.spilled", map[string]float64{"more_l": moreL}, nil))
	}
	if passes := t.sheet.passes(); passes > 1 {
		row.Also = append(row.Also, t.say("ticket.passes", map[string]float64{"count": float64(passes)}, nil))
	}
	return row
}

// passes counts how many times the transmission was drained.
func (d *SheetData) passes() int {
	var j fillcalc.Job
	for _, p := range d.Phases {
		j.Phases = append(j.Phases, fillcalc.PhaseAt{Phase: fillcalc.Phase(p.Phase)})
	}
	return j.Drains()
}

func (t *ticket) inRow() ticketRow {
	row := ticketRow{Label: t.reader.Word("ticket.in"), Text: t.amount(t.added)}
	if t.target != nil {
		row.Also = append(row.Also, t.say("ticket.target", nil, map[string]string{"amount": t.amount(t.target)}))
	}
	if t.overflow != nil && t.overflow.L > 0 {
		row.Also = append(row.Also, t.say("ticket.ran_out", map[string]float64{"out_l": float64(t.overflow.L)}, nil))
	}
	return row
}

// newest returns the last record of an item; nil if there is none.
func newest(records []SheetRecord, item fillcalc.Item) *SheetRecord {
	for i := len(records) - 1; i >= 0; i-- {
		if records[i].Item == string(item) {
			return &records[i]
		}
	}
	return nil
}

func (t *ticket) levelRow() ticketRow {
	row := ticketRow{Label: t.reader.Word("ticket.level"), Text: t.reader.Word("ticket.not_judged")}
	if r := newest(t.sheet.Levels, fillcalc.LevelAfter); r != nil {
		row.Text = t.reader.Word("result." + r.Result)
		if isNumber(float64(r.TempC)) {
			row.Also = append(row.Also, t.say("ticket.level_at", map[string]float64{"at_c": float64(r.TempC)}, nil))
		}
		if r.Window != string(fillcalc.Open) && r.Window != string(fillcalc.Closing) {
			row.Also = append(row.Also, t.reader.Word("ticket.outside"))
		}
	}
	s := &t.sheet.ServiceData
	row.Also = append(row.Also, t.say("ticket.window", map[string]float64{"low_c": float64(s.LowC), "high_c": float64(s.HighC)}, nil))
	return row
}

// addFacts adds what is said in a line each. A line without a text is left out.
func (t *ticket) addFacts() {
	d, s := t.sheet, &t.sheet.ServiceData
	fluid := cut(s.Fluid, shortText)
	if s.Batch != "" {
		fluid = t.say("ticket.batch", nil, map[string]string{"fluid": fluid, "batch": cut(s.Batch, shortText)})
	}
	if s.OtherFluid != "" {
		fluid = t.say("ticket.other_fluid", nil, map[string]string{"fluid": fluid, "asked": cut(s.AskedFluid, shortText), "why": cut(s.OtherFluid, longText)})
	}
	before := ""
	if r := newest(d.Levels, fillcalc.LevelBefore); r != nil {
		before = t.reader.Word("result." + r.Result)
	}
	for _, row := range []struct{ key, text string }{
		{"ticket.vehicle", cut(d.Vehicle, longText)},
		{"ticket.service_data", cut(s.Name, shortText)},
		{"ticket.time", t.times()},
		{"ticket.technician", strings.Join(t.technicians(), ", ")},
		{"ticket.fluid", fluid},
		{"ticket.used_oil", t.usedOil()},
		{"ticket.level_before", before},
		{"ticket.why", cut(d.Why, longText)},
	} {
		if row.text != "" {
			t.Facts = append(t.Facts, ticketRow{Label: t.reader.Word(row.key), Text: row.text})
		}
	}
}

// times returns the day of the job, when it was opened and when it ended.
func (t *ticket) times() string {
	zone := t.reader.Zone
	if zone == nil {
		zone = time.Local
	}
	at := func(i instant, layout string) string { return time.Unix(0, int64(i)).In(zone).Format(layout) }
	text := at(t.sheet.Opened, "2006-01-02 15:04")
	switch {
	case t.sheet.Ended == 0:
	case at(t.sheet.Opened, time.DateOnly) == at(t.sheet.Ended, time.DateOnly):
		text += " – " + at(t.sheet.Ended, "15:04")
	default:
		text += " – " + at(t.sheet.Ended, "2006-01-02 15:04")
	}
	return text
}

// technicians lists who has worked on the job, in the order in which they began.
func (t *ticket) technicians() (list []string) {
	add := func(by string) {
		if by = cut(by, shortText); by != "" && !slices.Contains(list, by) && len(list) < 4 {
			list = append(list, by)
		}
	}
	for _, p := range t.sheet.Phases {
		add(p.By)
	}
	for _, r := range slices.Concat(t.sheet.Levels, t.sheet.Service) {
		add(r.By)
	}
	add(t.sheet.EndedBy)
	return list
}

// usedOil returns what the caddy has collected.
func (t *ticket) usedOil() string {
	if t.drained == nil || !isNumber(float64(t.drained.L)) {
		return ""
	}
	l := float64(t.drained.L)
	if t.overflow != nil && isNumber(float64(t.overflow.L)) {
		l += float64(t.overflow.L)
	}
	return t.reader.Figure("collected_l", l)
}

func (t *ticket) torque() string {
	r := newest(t.sheet.Service, fillcalc.Torque)
	switch {
	case r == nil:
		return ""
	case r.Result != string(fillcalc.Done):
		return t.reader.Word("result." + r.Result)
	}
	key, figures := "ticket.not_specified", map[string]float64{"applied_nm": float64(r.AppliedNM)}
	if r.SpecifiedNM > 0 {
		key, figures["specified_nm"] = "ticket.applied", float64(r.SpecifiedNM)
	}
	return t.say(key, figures, nil)
}

// parts lists the parts with a number, the newest record of each.
func (t *ticket) parts() (list []string) {
	const most = 5
	left := 0
	for _, item := range serviceItems {
		r := newest(t.sheet.Service, item)
		switch {
		case r == nil || r.Part == "" || item == fillcalc.Leaks:
		case len(list) == most:
			left++
		default:
			list = append(list, t.reader.Word("part."+r.Item)+" "+cut(r.Part, shortText))
		}
	}
	if left > 0 {
		list = append(list, t.say("ticket.more_parts", map[string]float64{"count": float64(left)}, nil))
	}
	return list
}

// serviceItems are the items of work on a ticket besides the level.
var serviceItems = []fillcalc.Item{fillcalc.Filter, fillcalc.Seal, fillcalc.Magnet, fillcalc.Pan, fillcalc.Flange, fillcalc.Gasket, fillcalc.Torque, fillcalc.Leaks}

// addWork lists each item with its newest result.
func (t *ticket) addWork() {
	for _, item := range serviceItems {
		row := ticketRow{Label: t.reader.Word("item." + string(item)), Text: "–"}
		if r := newest(t.sheet.Service, item); r != nil {
			row.Text = t.reader.Word("result." + r.Result)
			if r.Count > 1 {
				row.Text += " (" + strconv.Itoa(r.Count) + ")"
			}
			if r.Note != "" && r.Result != string(fillcalc.Done) {
				row.Also = []string{cut(r.Note, shortText)}
			}
		}
		t.Work = append(t.Work, row)
	}
}
