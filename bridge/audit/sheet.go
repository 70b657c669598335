package audit

import (
	"cmp"
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayfill/bridge/names"
	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// number is a figure of a sheet. In JSON an unknown one is null, and a known one is
// rounded to 1e-6, far below what can be measured, so that the text is the same on
// every machine.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	rounded := math.Round(float64(n)*1e6) / 1e6
	if !isNumber(rounded) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, rounded+0, 'f', -1, 64), nil
}

// Fixed formats it with a number of decimals; an unknown number is a dash.
func (n number) Fixed(decimals int) string {
	if !isNumber(float64(n)) {
		return "–"
	}
	text := strconv.FormatFloat(float64(n), 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-") // zero has no sign
	}
	return strings.Replace(text, "-", "−", 1)
}

// Short formats it with as many decimals as it needs, up to a maximum.
func (n number) Short(maxDecimals int) string {
	text := n.Fixed(maxDecimals)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// Given is Short with a unit. A 0 is a dash: it means that nobody entered the number.
func (n number) Given(maxDecimals int, unit string) string {
	if n == 0 {
		return "–"
	}
	return strings.TrimSpace(n.Short(maxDecimals) + " " + unit)
}

// instant is a time in nanoseconds since 1970; 0 is unknown.
type instant int64

func (i instant) MarshalJSON() ([]byte, error) {
	if i == 0 {
		return []byte("null"), nil
	}
	return json.Marshal(time.Unix(0, int64(i)).UTC().Format("2006-01-02T15:04:05.000Z"))
}

// Full, Day and Clock format it in UTC.
func (i instant) Full() string {
	if i == 0 {
		return "–"
	}
	return time.Unix(0, int64(i)).UTC().Format("2006-01-02 15:04:05 UTC")
}

func (i instant) Day() string {
	if i == 0 {
		return "–"
	}
	return day(int64(i))
}

func (i instant) Clock() string {
	if i == 0 {
		return "–"
	}
	return shortTime(int64(i))
}

func shortTime(ns int64) string { return time.Unix(0, ns).UTC().Format("15:04:05") }

// SheetData is the content of an audit sheet. Litres are at the reference
// temperature unless the name of the field says otherwise, U is expanded (k = 2),
// times are UTC.
type SheetData struct {
	Shop       string  `json:"shop"`
	Cart       string  `json:"cart"`
	Job        string  `json:"job"`
	Vehicle    string  `json:"vehicle"`
	From       string  `json:"from"`
	Phase      string  `json:"phase"`
	Why        string  `json:"why,omitempty"`
	Opened     instant `json:"opened_at"`
	OpenedBy   string  `json:"opened_by"`
	Ended      instant `json:"ended_at"`
	EndedBy    string  `json:"ended_by"`
	ReferenceC number  `json:"reference_c"`
	CheckC     number  `json:"check_c"` // the middle of the check window
	Fold       int     `json:"fold"`
	Clock      string  `json:"clock,omitempty"` // what is wrong with the times, in words
	Events     int     `json:"events"`
	Published  int     `json:"published"`
	SameName   int     `json:"other_jobs_of_that_name"`

	Verdict      Verdict            `json:"verdict"`
	ServiceData  SheetServiceData   `json:"service_data"`
	Phases       []SheetPhase       `json:"phases"`
	Volumes      []SheetVolume      `json:"volumes"`
	Levels       []SheetRecord      `json:"levels"`
	Service      []SheetRecord      `json:"service"`
	Gears        []SheetGear        `json:"gears"`
	Entries      []SheetEntry       `json:"entries"`
	TakenBack    []SheetTakenBack   `json:"taken_back,omitempty"`
	Changes      []SheetChange      `json:"changes"`
	Clears       []SheetClear       `json:"clear_weighings"`
	Notices      []SheetNotice      `json:"notices"`
	Calibrations []SheetCalibration `json:"calibrations"`
	Checks       []SheetCheck       `json:"checks_by_use"`
	Findings     []Finding          `json:"findings"`
	Unverified   []string           `json:"unverified"`
	Recompute    string             `json:"recompute"`

	Pictures []sheetPicture `json:"-"`
}

// SheetServiceData is what the shop looked up for the vehicle. 0 is unknown.
type SheetServiceData struct {
	Name          string `json:"name"`
	Fluid         string `json:"fluid"`
	Batch         string `json:"batch,omitempty"` // of the fresh fluid
	UsedFluid     string `json:"used_fluid"`
	AskedFluid    string `json:"asked_fluid"`
	OtherFluid    string `json:"other_fluid,omitempty"`
	OtherFluidBy  string `json:"other_fluid_by,omitempty"`
	FreshKgM3     number `json:"fluid_kg_m3"`
	UsedKgM3      number `json:"used_fluid_kg_m3"`
	Check         string `json:"check"`
	LowC          number `json:"low_c"`
	HighC         number `json:"high_c"`
	TypicalL      number `json:"typical_l"`
	TotalL        number `json:"total_l"`
	BottleL       number `json:"bottle_l"`
	EmptyBottleKg number `json:"empty_bottle_kg"`
	BetweenMarksL number `json:"between_marks_l"`
	FirstFillPct  number `json:"first_fill_pct"`
	BoltTorqueNM  number `json:"bolt_torque_nm"`
	BalanceBandL  number `json:"balance_band_l"`
}

// SheetPhase is a phase of the job, in the order in which they came.
type SheetPhase struct {
	Phase     string  `json:"phase"`
	At        instant `json:"at"`
	DurationS number  `json:"duration_s"` // null for the last phase
	By        string  `json:"by"`
	Why       string  `json:"why,omitempty"`
}

// SheetVolume is a volume at the reference and at the check temperature, with the
// terms of its uncertainty.
type SheetVolume struct {
	Name    string      `json:"name"`
	Kg      number      `json:"kg"`
	L       number      `json:"l"`
	UL      number      `json:"u_l"`
	CheckL  number      `json:"check_l"` // at the check temperature
	CheckUL number      `json:"check_u_l"`
	Terms   []SheetTerm `json:"terms"`
}

// SheetTerm is the part of one input in the uncertainty of a volume: its standard
// uncertainty in mL of that volume, and its share of the variance.
type SheetTerm struct {
	Term     string `json:"term"`
	Of       string `json:"of"`
	UML      number `json:"u_ml"`
	SharePct number `json:"share_pct"`
}

// SheetRecord is a piece of work that somebody recorded.
type SheetRecord struct {
	Item        string  `json:"item"`
	Text        string  `json:"text"`
	Result      string  `json:"result"`
	Count       int     `json:"count,omitempty"`
	SpecifiedNM number  `json:"specified_nm"`
	AppliedNM   number  `json:"applied_nm"`
	Written     string  `json:"written,omitempty"`
	Part        string  `json:"part,omitempty"` // number of the part that was fitted
	Note        string  `json:"note,omitempty"`
	At          instant `json:"at"`
	By          string  `json:"by"`
	Phase       string  `json:"phase"`
	Window      string  `json:"window"`
	TempC       number  `json:"temp_c"`
	Entered     instant `json:"entered_at,omitempty"` // of a level that was judged earlier
	Corrected   bool    `json:"corrected,omitempty"`  // by a later record of the same item
}

// SheetGear is a gear that was held while the engine ran.
type SheetGear struct {
	Name  string  `json:"name"`
	From  instant `json:"from"`
	HeldS number  `json:"held_s"`
}

// SheetEntry is an amount that somebody entered.
type SheetEntry struct {
	What  string  `json:"what"`
	L     number  `json:"l"`
	UL    number  `json:"u_l"` // standard uncertainty, as entered
	Share number  `json:"share"`
	TempC number  `json:"temp_c"`
	At    instant `json:"at"`
	By    string  `json:"by"`
	// Opening is what was seen at the check opening.
	Opening string `json:"opening,omitempty"`
}

// SheetTakenBack is a record, an entry or a phase that somebody took back.
type SheetTakenBack struct {
	Text string  `json:"text"`
	At   instant `json:"at"`
	By   string  `json:"by"`
	Took instant `json:"taken_back_at"`
	Who  string  `json:"taken_back_by"`
}

// SheetChange is weight that came or went at once, and what it was.
type SheetChange struct {
	Change int     `json:"change"`
	Sensor string  `json:"sensor"`
	At     instant `json:"at"`
	Kg     number  `json:"kg"` // as the scale shows it
	UKg    number  `json:"u_kg"`
	L      number  `json:"l"` // if it was fluid
	Cause  string  `json:"cause"`
	As     string  `json:"as"` // empty while undecided
	By     string  `json:"by"`
	First  int     `json:"first,omitempty"` // of the group that came and went together
	Last   int     `json:"last,omitempty"`
}

// SheetClear is a clear weighing, and by how much it corrected the account of its scale.
type SheetClear struct {
	Sensor       string  `json:"sensor"`
	At           instant `json:"at"`
	By           string  `json:"by"`
	LiveKg       number  `json:"live_kg"`
	SettledKg    number  `json:"settled_kg"` // null: no settled weighing followed
	CorrectionKg number  `json:"correction_kg"`
}

// SheetNotice is something that the program noticed, and for how long.
type SheetNotice struct {
	Kind NoticeKind `json:"kind"`
	Text string     `json:"text"`
	From instant    `json:"from"`
	To   instant    `json:"to"` // null: to the end
}

// NoticeKind is the source of a notice.
type NoticeKind string

const (
	AlertNotice  NoticeKind = "alert"
	RemarkNotice NoticeKind = "remark"
	SensorNotice NoticeKind = "sensor" // an instrument was silent, or reported a fault
	StartNotice  NoticeKind = "start"  // the program was started in the middle of the job
)

// SheetCalibration is a calibration that was in force during the job.
type SheetCalibration struct {
	Sensor  string           `json:"sensor"`
	Role    string           `json:"role"`
	At      instant          `json:"at"`
	Due     instant          `json:"due"`
	Slope   number           `json:"slope"`
	UPct    number           `json:"slope_u_pct"` // standard, at the job's end
	OffsetC number           `json:"offset_c"`
	UC      number           `json:"u_c"` // standard, at the check temperature
	Outcome fillcalc.Outcome `json:"outcome"`
}

// SheetCheck is what the job says about a scale by itself. Value and U (expanded) are in
// percent, of the emptied caddy in grams.
type SheetCheck struct {
	Kind   string `json:"kind"`
	Sensor string `json:"sensor,omitempty"` // empty: the cart's scales together
	Value  number `json:"value"`
	U      number `json:"u"`
	Unit   string `json:"unit"`
	Text   string `json:"text"`
}

//go:embed sheet.html
var sheetPage string

// sheetTemplate is never executed itself: each sheet has the functions of its reader.
var sheetTemplate = template.Must(template.New("sheet").Funcs(sheetFuncs(words.Plain)).Parse(sheetPage))

// sheetFuncs are what the sheet says in the words and units of its reader. An auditor needs
// SI, so the reader's units stand behind it in brackets, where they are others.
func sheetFuncs(r words.Reader) template.FuncMap {
	return template.FuncMap{
		"words": func(name string) string { return strings.ReplaceAll(name, "_", " ") },
		"or0":   func(text string) string { return cmp.Or(text, "–") },
		"next":  func(i int) int { return i + 1 },
		"word": func(list, code string) string {
			if key := list + "." + code; words.Knows(key) {
				return r.Word(key)
			}
			return cmp.Or(code, "–")
		},
		"own": func(q units.Quantity, n ...number) string {
			if r.Units == units.Metric || n[0] == 0 || !isNumber(float64(n[0])) {
				return ""
			}
			var texts []string
			for _, si := range n {
				texts = append(texts, r.Units.Unit(q, float64(si)).Text(float64(si)))
			}
			return " (" + strings.Join(texts, " – ") + ")"
		},
		"ownVolume": func(n number) string { return r.Units.LargeVolumeUnit().Digits(float64(n)) },
		"ownUnit": func() string {
			if r.Units == units.Metric {
				return ""
			}
			return r.Units.LargeVolumeUnit().Symbol
		},
	}
}

// WriteSheet writes the audit sheet: one page of HTML that needs no other file and
// no script, and prints on A4 and Letter. Amounts are in SI, with those of the reader beside
// them.
func WriteSheet(w io.Writer, rec *Record, rep *Report, toleranceL float64, r words.Reader) error {
	var page strings.Builder
	sheet, err := sheetTemplate.Clone()
	if err != nil {
		return err
	}
	if err := sheet.Funcs(sheetFuncs(r)).Execute(&page, NewSheetData(rec, rep, toleranceL, r)); err != nil {
		return err
	}
	_, err = visibleDirections.WriteString(w, page.String())
	return err
}

// visibleDirections replaces the characters that change the direction of writing by
// their names: in a name they would let the words of the sheet read backwards.
var visibleDirections = strings.NewReplacer("\u202a", "[U+202A]", "\u202b", "[U+202B]", "\u202c", "[U+202C]", "\u202d", "[U+202D]", "\u202e", "[U+202E]",
	"\u2066", "[U+2066]", "\u2067", "[U+2067]", "\u2068", "[U+2068]", "\u2069", "[U+2069]", "\u200e", "[U+200E]", "\u200f", "[U+200F]")

// NewSheetData computes the content of the sheet. toleranceL is as for [Judge]; its sentences
// are those of the reader.
func NewSheetData(rec *Record, rep *Report, toleranceL float64, r words.Reader) *SheetData {
	r.Zone = time.UTC // as all times of the sheet
	s := &rep.state
	j := &s.Job
	d := &SheetData{
		Shop: rec.Shop, Cart: rec.Cart, Job: rec.Job, Vehicle: j.Spec.Vehicle, From: rec.From,
		Phase: string(j.Phase), Why: j.Why, Opened: instant(j.OpenedNs),
		ReferenceC: number(j.ReferenceC), CheckC: number((j.Spec.LowC + j.Spec.HighC) / 2), Fold: fillcalc.FoldVersion,
		Clock: clockText(s.Clock), Events: rep.Events, Published: rep.Published, SameName: rep.SameName,
		Verdict: Judge(rep, toleranceL, r), ServiceData: newSheetServiceData(j),
		Levels: []SheetRecord{}, Service: []SheetRecord{}, Gears: []SheetGear{}, Entries: []SheetEntry{}, Changes: []SheetChange{}, Clears: []SheetClear{},
		Notices: rep.notices(r), Calibrations: []SheetCalibration{}, Checks: []SheetCheck{}, Findings: rep.Findings, Unverified: []string{},
		Recompute: recompute(rec, rep, toleranceL), Pictures: rep.pictures(),
	}
	rep.sheetPhases(d, rec.Names)
	rep.sheetVolumes(d)
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
	for _, a := range s.Job.Fitted {
		d.Calibrations = append(d.Calibrations, newSheetCalibration(&a, s.NowNs, float64(d.CheckC)))
	}
	for _, c := range s.UseChecks() {
		d.Checks = append(d.Checks, newSheetCheck(&c))
	}
	for _, c := range d.Verdict.Criteria {
		if c.Outcome == fillcalc.NotVerified {
			d.Unverified = append(d.Unverified, c.Title+": "+strings.Join(c.Says, " "))
		}
	}
	return d
}

// labelledBy returns who said what a change was: a person, or the signal; empty while it
// is undecided.
func labelledBy(c *fillcalc.Change) string {
	switch {
	case c.Said != "":
		return cmp.Or(c.By, "somebody")
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
func (r *Report) sheetPhases(d *SheetData, names names.Names) {
	j := &r.state.Job
	d.Phases = []SheetPhase{}
	for _, p := range j.Phases {
		d.Phases = append(d.Phases, SheetPhase{string(p.Phase), instant(p.AtNs), number(math.NaN()), p.By, p.Why})
	}
	ended := j.Phase == fillcalc.Closed || j.Phase == fillcalc.Abandoned
	if ended {
		last := r.events[len(r.events)-1]
		d.Ended = instant(j.PhaseNs)
		if last.Input != nil {
			d.EndedBy = cmp.Or(names[last.Input.By], last.Input.By)
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

// sheetVolumes fills in the volumes at the reference temperature and at the check
// temperature.
func (r *Report) sheetVolumes(d *SheetData) {
	s := &r.state
	v := s.Volumes()
	// growth is the volume at the check temperature of a litre at the reference one.
	growth := func(f fillcalc.Fluid) float64 {
		l, err := s.AsItLiesL(f, 1, float64(d.CheckC))
		if err != nil {
			return math.NaN()
		}
		return l
	}
	used, fresh := growth(s.Job.Spec.Used), growth(s.Job.Spec.Fresh)
	at := func(b fillcalc.Budget, growth float64) (warm fillcalc.Budget) {
		for _, t := range b {
			warm = append(warm, fillcalc.Term{Name: t.Name, Of: t.Of, L: t.L * growth})
		}
		return warm
	}
	drained, added, overflow := s.Budget(fillcalc.DrainedTally), s.Budget(fillcalc.AddedTally), s.Budget(fillcalc.OverflowTally)
	row := func(name string, kg, l, uL, checkL, checkUL float64, b fillcalc.Budget) {
		if !isNumber(l) {
			checkL, checkUL = math.NaN(), math.NaN()
		}
		d.Volumes = append(d.Volumes, SheetVolume{name, number(kg), number(l), number(uL), number(checkL), number(checkUL), sheetTerms(b)})
	}
	row("drained", v.DrainedKg, v.DrainedL, v.DrainedUL, v.DrainedL*used, v.DrainedUL*used, drained)
	row("added", v.AddedKg, v.AddedL, v.AddedUL, v.AddedL*fresh, v.AddedUL*fresh, added)
	if overflow != nil {
		row("ran out at the opening", v.OverflowL*s.Job.FreshKgM3/1000, v.OverflowL, v.OverflowUL, v.OverflowL*fresh, v.OverflowUL*fresh, overflow)
	}
	warm := at(added, fresh).Minus(at(drained, used)).Minus(at(overflow, fresh))
	row("balance", v.AddedKg-v.OverflowL*s.Job.FreshKgM3/1000-v.DrainedKg, v.BalanceL, v.BalanceUL,
		(v.AddedL-v.OverflowL)*fresh-v.DrainedL*used, 2*math.Sqrt(warm.U2()), s.BalanceBudget())
	row("undecided", math.NaN(), v.UndecidedL, math.NaN(), math.NaN(), math.NaN(), nil)
	plan, err := s.WholePlan()
	if err != nil {
		return
	}
	target := plan.TargetL + plan.BeforeL
	row("target", target*s.Job.FreshKgM3/1000, target, 2*plan.TargetUL, target*fresh, 2*plan.TargetUL*fresh, nil)
	row("missing", plan.RemainingMassKg, plan.RemainingL, 2*plan.RemainingUL, plan.RemainingL*fresh, 2*plan.RemainingUL*fresh, nil)
}

// sheetTerms returns the terms of a budget, the largest first.
func sheetTerms(b fillcalc.Budget) []SheetTerm {
	terms := []SheetTerm{}
	for _, t := range b {
		if share := t.L * t.L / b.U2(); share > 1e-9 { // terms that cancel leave a rounding error
			terms = append(terms, SheetTerm{words.Plain.Word("budget." + t.Name), t.Of, number(1000 * math.Abs(t.L)), number(100 * share)})
		}
	}
	slices.SortStableFunc(terms, func(a, b SheetTerm) int { return cmp.Compare(b.UML, a.UML) })
	return terms
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
func newSheetCheck(c *fillcalc.UseCheck) SheetCheck {
	row := SheetCheck{Kind: string(c.Kind), Sensor: c.Sensor, Value: number(100 * c.Value), U: number(200 * c.U), Unit: "%"}
	switch c.Kind {
	case fillcalc.CheckSlope:
		row.Text = fmt.Sprintf("Scale %s: full bottles weigh %s ± %s %% more than their label says.", c.Sensor, row.Value.Fixed(2), row.U.Fixed(2))
	case fillcalc.CheckZero:
		row.Value, row.U, row.Unit = number(1000*c.Value), number(2000*c.U), "g"
		row.Text = fmt.Sprintf("Scale %s: the emptied caddy weighs %s ± %s g more than by itself, the film that stays in it counted.", c.Sensor, row.Value.Fixed(0), row.U.Fixed(0))
	default:
		row.Text = fmt.Sprintf("The cart's scales: with the level right before and after, %s ± %s %% more was added than drained.", row.Value.Fixed(2), row.U.Fixed(2))
	}
	return row
}

// notices folds the job again and lists what the program noticed, in order of time:
// alerts and remarks, troubles of the instruments, and starts of the program.
func (r *Report) notices(reader words.Reader) []SheetNotice {
	list := []SheetNotice{}
	for _, t := range r.state.Troubles() {
		text := t.Sensor + " was not heard"
		if !t.Silent() {
			text = t.Sensor + " said " + strings.Join(t.Faults.Names(), ", ")
		}
		list = append(list, SheetNotice{SensorNotice, text, instant(t.FromNs), instant(t.ToNs)})
	}
	// A notice lasts as long as the fold names it. A remark has no name but its text.
	type name struct {
		kind NoticeKind
		id   string
	}
	var s fillcalc.State
	lasting := map[name]int{} // index in the list
	for i := range r.events {
		e := &r.events[i]
		s = fillcalc.Apply(s, *e)
		now := map[name]bool{}
		note := func(n name, text string) {
			now[n] = true
			if at, lasts := lasting[n]; lasts {
				list[at].Text = text // its figures may have changed
				return
			}
			lasting[n] = len(list)
			list = append(list, SheetNotice{Kind: n.kind, Text: text, From: instant(e.AtNs)})
		}
		for _, a := range s.Alerts() {
			note(name{AlertNotice, a.Kind()}, reader.Say(a.Text))
		}
		if e.Input != nil { // inputs include a tick a second: often enough for remarks
			for _, m := range s.Remarks() {
				text := reader.Say(m)
				note(name{RemarkNotice, text}, text)
			}
			if e.Input.Do == fillcalc.DoStart {
				list = append(list, SheetNotice{StartNotice, "the program began to measure anew", instant(e.AtNs), instant(e.AtNs)})
			}
		}
		for n, at := range lasting {
			if !now[n] && (n.kind != RemarkNotice || e.Input != nil) {
				list[at].To = instant(e.AtNs)
				delete(lasting, n)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b SheetNotice) int { return cmp.Compare(a.From, b.From) })
	return list
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

// clockText says in words what is wrong with the times of the events.
func clockText(c *fillcalc.Clock) string {
	switch {
	case c == nil:
		return ""
	case c.Unset:
		return "the computer's clock had not been set since it was switched on, they may be wrong"
	}
	by := time.Duration(c.AheadNs).Round(time.Second)
	if by < 0 {
		return "the true ones are " + (-by).String() + " later, by the computer's clock at the end"
	}
	return "the true ones are " + by.String() + " earlier, by the computer's clock at the end"
}
