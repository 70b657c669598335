package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"bayfill/fillcalc"
)

// Outcome is the result of a rule, or of all of them.
type Outcome string

const (
	Passed      Outcome = "passed"
	NotVerified Outcome = "not_verified" // the record does not hold what the rule needs
	Failed      Outcome = "failed"
)

// Words returns the outcome as text for people.
func (o Outcome) Words() string {
	if o == NotVerified {
		return "not verified"
	}
	return string(o)
}

// worse returns the worse of two outcomes: failed is worse than not verified.
func (o Outcome) worse(p Outcome) Outcome {
	order := []Outcome{Passed, NotVerified, Failed}
	return order[max(slices.Index(order, o), slices.Index(order, p))]
}

// Verdict says whether a job was done right. It is passed when every criterion
// passed, failed when one failed, and not verified otherwise.
type Verdict struct {
	Outcome    Outcome     `json:"outcome"`
	ToleranceL number      `json:"tolerance_l"`
	Criteria   []Criterion `json:"criteria"`
}

// Criterion is the outcome of one rule, with the figures it was judged by and the
// reasons in sentences.
type Criterion struct {
	Name    string   `json:"name"`
	Title   string   `json:"title"`
	Outcome Outcome  `json:"outcome"`
	Figures []Figure `json:"figures"`
	Says    []string `json:"says"`
}

// Figure is a number with its name and unit. The number is null when it is unknown.
type Figure struct {
	Name  string `json:"name"`
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

// say adds a reason and the outcome that follows from it.
func (c *Criterion) say(o Outcome, format string, args ...any) {
	c.Outcome = c.Outcome.worse(o)
	c.Says = append(c.Says, fmt.Sprintf(format, args...))
}

func (c *Criterion) figure(name string, value float64, unit string) {
	c.Figures = append(c.Figures, Figure{name, number(value), unit})
}

// DefaultToleranceL is the error of the amount that is allowed beyond its
// uncertainty: less than a dipstick shows (common practice, no source).
const DefaultToleranceL = 0.1

// Judge applies every rule of the verdict to the job of a report. All figures come
// from the fold. toleranceL is the error of the amount in litres that is allowed
// beyond its uncertainty.
func Judge(rep *Report, toleranceL float64) Verdict {
	v := Verdict{Outcome: Passed, ToleranceL: number(toleranceL)}
	for _, rule := range []struct {
		name, title string
		judge       func(*Criterion)
	}{
		{"record", "The record is the same and complete", rep.judgeRecord},
		{"amount", "The amount is right", func(c *Criterion) { rep.judgeAmount(c, toleranceL) }},
		{"level", "The level was judged right in the check window", rep.judgeLevel},
		{"decisions", "Nothing is undecided and nothing was overridden", rep.judgeDecisions},
		{"calibrations", "The instruments were calibrated", rep.judgeCalibrations},
		{"sensors", "The instruments said nothing was wrong while they counted", rep.judgeSensors},
	} {
		c := Criterion{Name: rule.name, Title: rule.title, Outcome: Passed, Figures: []Figure{}, Says: []string{}}
		rule.judge(&c)
		v.Outcome = v.Outcome.worse(c.Outcome)
		v.Criteria = append(v.Criteria, c)
	}
	return v
}

func (r *Report) judgeRecord(c *Criterion) {
	c.figure("events", float64(r.Events), "")
	c.figure("published messages compared", float64(r.Published), "")
	c.figure("findings", float64(len(r.Findings)), "")
	otherFold := slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Kind == Version })
	switch {
	case r.Events == 0 && r.SameAndComplete():
		c.say(NotVerified, "There is no record.")
	case !r.Complete:
		c.say(Failed, "The record is not complete.")
	case otherFold:
		c.say(NotVerified, "It was computed by another version of the calculation: audit it with that one.")
	case !r.Same:
		c.say(Failed, "What was published does not come out again.")
	default:
		c.say(Passed, "Every figure that was published came out again to the last bit, and no event is missing, altered or added.")
	}
}

// judgeAmount compares what was added with the target of the plan, or with what was
// drained when there is no target.
func (r *Report) judgeAmount(c *Criterion, toleranceL float64) {
	s := r.state
	s.Job.EngineRan = true // the whole target counts, even if the engine never ran
	v := s.Volumes()
	plan, err := s.Plan()
	missingL, missingUL := plan.RemainingL, 2*plan.RemainingUL
	if err != nil {
		missingL, missingUL = -v.BalanceL, v.BalanceUL
	}
	unit := "L"
	if s.Job.Phase != fillcalc.NoJob {
		unit = fmt.Sprintf("L at %g °C", s.Job.ReferenceC)
	}
	if err == nil {
		c.figure("target", plan.TargetL, unit)
	} else {
		c.figure("drained", v.DrainedL, unit)
	}
	c.figure("added", v.AddedL, unit)
	c.figure("missing", missingL, unit)
	c.figure("expanded uncertainty (k = 2)", missingUL, unit)
	c.figure("tolerance", toleranceL, unit)
	weighed := slices.ContainsFunc(s.Setup.Scales, func(sc fillcalc.ScaleSetup) bool { return sc.Load != fillcalc.CaddyLoad })
	entered := slices.ContainsFunc(s.Job.Entries, func(e fillcalc.Entry) bool { return e.What == fillcalc.EnterBottle })
	switch {
	case s.Budget(fillcalc.DrainedTally) == nil:
		c.say(NotVerified, "No draining was weighed.")
	case !weighed && !entered:
		c.say(NotVerified, "No scale weighed the fresh fluid, and no bottle was entered.")
	case !isNumber(missingL) || !isNumber(missingUL):
		c.say(NotVerified, "Drained or added is not known: %s.", v.Quality)
	case math.Abs(missingL) > missingUL+toleranceL:
		direction := "missing"
		if missingL < 0 {
			direction = "too much"
		}
		c.say(Failed, "%.3f L are %s, more than the uncertainty and the tolerance leave open.", math.Abs(missingL), direction)
	default:
		c.say(Passed, "What is missing or too much lies within the uncertainty and the tolerance.")
	}
	if err != nil && s.Job.Phase != fillcalc.NoJob {
		c.say(Passed, "There is no target (%v): added is held against drained.", err)
	}
}

func (r *Report) judgeLevel(c *Criterion) {
	j := &r.state.Job
	var level *fillcalc.Record
	for i := range j.Records {
		if j.Records[i].Item == fillcalc.LevelAfter {
			level = &j.Records[i]
		}
	}
	celsius := math.NaN()
	if level != nil && level.TempC != nil {
		celsius = *level.TempC
	}
	c.figure("fluid when it was judged", celsius, "°C")
	c.figure("window from", j.Spec.LowC, "°C")
	c.figure("window to", j.Spec.HighC, "°C")
	if level == nil {
		c.say(NotVerified, "No level check is on record.")
		return
	}
	judged := fmt.Sprintf("Judged %s at %s by %s; the window was %s.", level.Result, shortTime(level.AtNs), cmp.Or(level.By, "somebody"), level.Window)
	switch {
	case level.Result == fillcalc.NotDone || level.Result == fillcalc.NotNeeded:
		c.say(Failed, "The level was not judged: %s.", strings.ReplaceAll(string(level.Result), "_", " "))
	case level.Result != fillcalc.Right:
		c.say(Failed, "%s", judged)
	case level.Window == fillcalc.Blind || level.Window == "":
		c.say(NotVerified, "%s Nobody knows how warm the fluid was.", judged)
	case level.Window != fillcalc.Open && level.Window != fillcalc.Closing:
		c.say(Failed, "%s", judged)
	default:
		c.say(Passed, "%s", judged)
		if movedL := r.movedSince(level.AtNs); movedL > maxMovedL {
			c.say(Failed, "%.2f L were poured or ran out afterwards: it was not judged again.", movedL)
		}
	}
	if r.state.Setup.Probe.Sensor == "" && r.state.Setup.Coolant.Sensor != "" {
		c.say(Passed, "The temperature is the coolant's, which stands in for the fluid's.")
	}
}

// maxMovedL is the change that is allowed after the level was judged right: the last
// drops of a bottle and the scatter of the scale (common practice, no source).
const maxMovedL = 0.05

// movedSince returns the change since a time of what was added, or of what ran out at
// the check opening, whichever is larger.
func (r *Report) movedSince(ns int64) (litres float64) {
	var s fillcalc.State
	for _, e := range r.events {
		if e.AtNs > ns {
			break
		}
		s = fillcalc.Apply(s, e)
	}
	then, now := s.Volumes(), r.state.Volumes()
	if litres = math.Abs(now.AddedL - then.AddedL); !math.IsNaN(now.OverflowL - then.OverflowL) {
		litres = max(litres, math.Abs(now.OverflowL-then.OverflowL))
	}
	return litres
}

func (r *Report) judgeDecisions(c *Criterion) {
	j := &r.state.Job
	overrides := r.overrides()
	undecided, said := 0, 0
	for i := range j.Changes {
		switch ch := &j.Changes[i]; {
		case ch.As == "" && (ch.Last == 0 || ch.Last == ch.ID) && math.Abs(ch.Kg) >= leastAskedKg: // of a group the last one asks
			undecided++
			c.say(Failed, "Change %d (%+.3f kg on %s): nobody said what it was.", ch.ID, ch.Kg, ch.Sensor)
		case ch.Said != "":
			said++
			c.say(Passed, "Change %d (%+.3f kg on %s): %s, said %s.", ch.ID, ch.Kg, ch.Sensor, ch.Said, labelledBy(ch))
		}
	}
	for i := range j.Clears {
		cl, found := &j.Clears[i], "no settled weighing followed"
		if cl.Settled {
			found = fmt.Sprintf("it corrected the account by %+.3f kg", cl.SettledKg-cl.LiveKg)
		}
		c.say(Passed, "Clear weighing of %s at %s by %s: %s.", cl.Sensor, shortTime(cl.AtNs), cmp.Or(cl.By, "somebody"), found)
	}
	for _, text := range overrides {
		c.say(Failed, "Override: %s.", text)
	}
	c.figure("changes", float64(len(j.Changes)), "")
	c.figure("of them said by people", float64(said), "")
	c.figure("undecided", float64(undecided), "")
	c.figure("clear weighings", float64(len(j.Clears)), "")
	c.figure("overrides", float64(len(overrides)), "")
	switch {
	case j.Phase == fillcalc.NoJob:
		c.say(NotVerified, "The job cannot be folded.")
	case c.Outcome == Passed:
		c.say(Passed, "It is known what every change was, and the job was closed without a reason why.")
	}
}

// leastAskedKg is the weight below which nobody is asked what a change was: the weighings
// decide.
const leastAskedKg = 0.05

// overrides lists what people decided against the program, one text each.
func (r *Report) overrides() (list []string) {
	j := &r.state.Job
	if j.Spec.OtherFluid != "" {
		list = append(list, fmt.Sprintf("%s instead of %s: %s (%s)", j.Spec.Fresh.Name, j.Spec.AskedFluid, j.Spec.OtherFluid, cmp.Or(j.Spec.OtherFluidBy, "nobody named")))
	}
	for _, p := range j.Phases {
		if p.Why != "" {
			list = append(list, fmt.Sprintf("%s all the same: %s", p.Phase, p.Why))
		}
	}
	switch {
	case j.Phase == fillcalc.Closed && j.Why != "":
		list = append(list, "closed although not all was measured: "+j.Why)
	case j.Phase == fillcalc.Abandoned:
		list = append(list, "abandoned: "+j.Why)
	}
	return list
}

func (r *Report) judgeCalibrations(c *Criterion) {
	list := r.instruments()
	probes := 0
	for i := range list {
		outcome, reason := list[i].judge(r.state.NowNs)
		c.say(outcome, "%s", reason)
		if list[i].isProbe {
			probes++
		}
	}
	c.figure("scales", float64(len(list)-probes), "")
	c.figure("probes", float64(probes), "")
	if len(list) == probes {
		c.say(NotVerified, "No scale is on record.")
	}
	if probes == 0 {
		c.say(NotVerified, "No temperature probe is on record.")
	}
}

func (r *Report) judgeSensors(c *Criterion) {
	troubles := r.troubles()
	longestNs := int64(0)
	for _, t := range troubles {
		longestNs = max(longestNs, t.toNs-t.fromNs)
		// When a silent scale comes back, the next weighing counts what ran meanwhile, and
		// somebody says what other changes were.
		outcome, addition := Failed, ""
		isScale := slices.ContainsFunc(r.state.Setup.Scales, func(sc fillcalc.ScaleSetup) bool { return sc.Sensor == t.sensor })
		if isScale && t.silent() && t.toNs < r.state.NowNs {
			outcome, addition = Passed, ": what changed meanwhile was weighed afterwards"
		}
		c.say(outcome, "%s from %s to %s%s.", t.text(), shortTime(t.fromNs), shortTime(t.toNs), addition)
	}
	c.figure("holes and alerts", float64(len(troubles)), "")
	c.figure("longest", float64(longestNs)/1e9, "s")
	switch {
	case len(r.instruments()) == 0:
		c.say(NotVerified, "Which instruments there were is not on record.")
	case len(troubles) == 0:
		c.say(Passed, "No instrument fell silent, and none said that something was wrong.")
	}
}
