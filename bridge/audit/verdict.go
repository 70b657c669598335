package audit

import (
	"slices"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Verdict says whether a job was done right: the fold's verdict, and the rule for the record
// itself before it.
type Verdict struct {
	Outcome    fillcalc.Outcome `json:"outcome"`
	ToleranceL number           `json:"tolerance_l"`
	Criteria   []Criterion      `json:"criteria"`
}

// Criterion is the outcome of one rule, with the figures it was judged by and the
// reasons in sentences.
type Criterion struct {
	Name    string           `json:"name"`
	Title   string           `json:"title"`
	Outcome fillcalc.Outcome `json:"outcome"`
	Counts  bool             `json:"counts"` // the verdict depends on it
	Figures []Figure         `json:"figures"`
	Says    []string         `json:"says"`
}

// Figure is a number with its name and unit. The number is null when it is unknown.
type Figure struct {
	Name  string `json:"name"`
	Title string `json:"title"`
	Value number `json:"value"`
	Unit  string `json:"unit,omitempty"`
}

// Text formats the figure, with decimals that suit its unit.
func (f Figure) Text() string {
	switch f.Unit {
	case "":
		return f.Value.Fixed(0)
	case "°C", "s":
		return f.Value.Fixed(1) + " " + f.Unit
	}
	return f.Value.Fixed(3) + " " + f.Unit
}

// Judge applies every rule of the verdict to the job of a report. toleranceL is the error of
// the amount in litres that is allowed beyond its uncertainty. Its sentences are for the
// reader.
func Judge(rep *Report, toleranceL float64, r words.Reader) Verdict {
	state := rep.named(r)
	of := state.Verdict(toleranceL)
	record := fillcalc.Criterion{Name: "record", Outcome: fillcalc.Passed, Counts: true}
	rep.judgeRecord(&record)
	v := Verdict{Outcome: of.Outcome.Worse(record.Outcome), ToleranceL: number(toleranceL)}
	if rep.StillOpen() { // what is missing now may still be done
		v.Outcome = fillcalc.NotVerified
	}
	for _, c := range append([]fillcalc.Criterion{record}, of.Criteria...) {
		m := Criterion{Name: c.Name, Title: criterionTitle(&c, r), Outcome: c.Outcome, Counts: c.Counts, Figures: []Figure{}, Says: []string{}}
		for _, f := range c.Figures {
			m.Figures = append(m.Figures, Figure{f.Name, wordOr(r, figureKeys[f.Name], f.Name), number(f.Value), f.Unit})
		}
		for _, reason := range c.Reasons {
			m.Says = append(m.Says, r.Say(reason.Text))
		}
		v.Criteria = append(v.Criteria, m)
	}
	return v
}

// criterionTitle is what a rule asks for; of work, its item.
func criterionTitle(c *fillcalc.Criterion, r words.Reader) string {
	if slices.Contains(fillcalc.WorkItems(), fillcalc.Item(c.Name)) {
		return r.Say(fillcalc.Text{Key: "criterion.work", Names: labels{"item": c.Name}})
	}
	return r.Word("criterion." + c.Name)
}

// judgeRecord says whether the record is the same and complete.
func (r *Report) judgeRecord(c *fillcalc.Criterion) {
	c.Figure("events", float64(r.Events), "")
	c.Figure("published messages compared", float64(r.Published), "")
	c.Figure("findings", float64(len(r.Findings)), "")
	say := func(o fillcalc.Outcome, key string) {
		c.Say(fillcalc.Reason{Outcome: o, Text: fillcalc.Text{Key: key}})
	}
	otherFold := slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Kind == Version })
	switch {
	case r.Events == 0 && r.SameAndComplete():
		say(fillcalc.NotVerified, "verdict.no_record")
	case r.StillOpen():
		say(fillcalc.NotVerified, "verdict.record_open")
	case !r.Complete:
		say(fillcalc.Failed, "verdict.record_incomplete")
	case otherFold:
		say(fillcalc.NotVerified, "verdict.record_version")
	case !r.Same:
		say(fillcalc.Failed, "verdict.record_differs")
	default:
		say(fillcalc.Passed, "verdict.record_same")
	}
}

// figureKeys are the catalogue's keys of the figures by which a rule was judged.
var figureKeys = map[string]string{
	"events": "figure.events", "published messages compared": "figure.messages", "findings": "figure.findings",
	"target": "figure.target", "drained": "figure.drained", "added": "figure.added", "missing": "figure.missing", "expanded uncertainty (k = 2)": "figure.uncertainty",
	"tolerance": "figure.tolerance", "fluid when it was judged": "figure.fluid", "window from": "figure.low", "window to": "figure.high",
	"changes": "figure.changes", "of them said by people": "figure.said", "undecided": "figure.undecided", "clear weighings": "figure.clears", "overrides": "figure.overrides",
	"scales": "figure.scales", "probes": "figure.probes", "holes and alerts": "figure.troubles", "longest": "figure.longest",
}
