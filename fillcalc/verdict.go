package fillcalc

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Outcome is the result of a rule, or of all of them.
type Outcome string

const (
	Passed      Outcome = "passed"
	NotRecorded Outcome = "not_recorded" // of work: nobody said anything about it
	NotVerified Outcome = "not_verified" // what the rule needs is not known
	Failed      Outcome = "failed"
)

// Outcomes lists all outcomes, the worst last.
var Outcomes = []Outcome{Passed, NotRecorded, NotVerified, Failed}

// Worse returns the worse of two outcomes: failed is worse than not verified.
func (o Outcome) Worse(p Outcome) Outcome {
	return Outcomes[max(slices.Index(Outcomes, o), slices.Index(Outcomes, p))]
}

// ForJob returns what an outcome of a rule means for the whole job: what is needed and not
// recorded is not verified.
func (o Outcome) ForJob() Outcome {
	if o == NotRecorded {
		return NotVerified
	}
	return o
}

// Verdict says whether a job was done right. It is passed when every criterion that counts
// passed, failed when one failed, and not verified otherwise.
type Verdict struct {
	Outcome    Outcome
	ToleranceL float64
	Criteria   []Criterion
}

// Criterion is the outcome of one rule, with the figures it was judged by and the reasons.
type Criterion struct {
	Name    string // of work: its item
	Outcome Outcome
	// Counts: the verdict depends on it. What a shop does not need for a pass is only said.
	Counts  bool
	Figures []Figure
	Reasons []Reason
}

// Reason is one reason of an outcome.
type Reason struct {
	Outcome Outcome
	Text
}

// Figure is a number with its name and unit; NaN when it is not known.
type Figure struct {
	Name  string
	Value float64
	Unit  string
}

// Say adds a reason and the outcome that follows from it.
func (c *Criterion) Say(r Reason) {
	c.Outcome = c.Outcome.Worse(r.Outcome)
	c.Reasons = append(c.Reasons, r)
}

func (c *Criterion) say(o Outcome, key string, f figures, n names) {
	c.Say(Reason{o, Text{key, f, n}})
}

// Figure adds a figure.
func (c *Criterion) Figure(name string, value float64, unit string) {
	c.Figures = append(c.Figures, Figure{name, value, unit})
}

// DefaultToleranceL is the error of the amount that is allowed beyond its uncertainty: less
// than a dipstick shows (common practice, no source).
const DefaultToleranceL = 0.1

// vagueShare is the largest expanded uncertainty of an amount that can pass, as a share of the
// amount (common practice, no source). Without a bound the worst measurement would pass most
// easily. The tolerance alone is no such bound: it allows for an error beyond the uncertainty,
// and of a large refill even good scales know less.
const vagueShare = 0.1

// Verdict judges a job by what the fold knows. While the job is open, that is the verdict
// which it would get if it were closed now. An audit adds the rule for the record itself.
// toleranceL is the error of the amount in litres that is allowed beyond its uncertainty.
func (s *State) Verdict(toleranceL float64) Verdict {
	v := Verdict{Outcome: Passed, ToleranceL: toleranceL}
	type rule struct {
		name  string
		judge func(*Criterion)
	}
	rules := []rule{
		{"amount", func(c *Criterion) { s.judgeAmount(c, toleranceL) }},
		{"level", s.judgeLevel},
		{"decisions", s.judgeDecisions},
		{"calibrations", s.judgeCalibrations},
		{"sensors", s.judgeSensors},
	}
	for _, item := range WorkItems() {
		rules = append(rules, rule{string(item), func(c *Criterion) { s.judgeWork(c, item) }})
	}
	for _, rule := range rules {
		c := Criterion{Name: rule.name, Outcome: Passed, Counts: true}
		rule.judge(&c)
		if c.Counts {
			v.Outcome = v.Outcome.Worse(c.Outcome.ForJob())
		}
		v.Criteria = append(v.Criteria, c)
	}
	return v
}

// judgeAmount compares what was added with the target of the plan, or with what was drained
// when there is no target. The whole target counts, even if the engine never ran.
func (s *State) judgeAmount(c *Criterion, toleranceL float64) {
	v := s.Volumes()
	plan, err := s.WholePlan()
	missingL, missingUL := plan.RemainingL, 2*plan.RemainingUL
	wholeL := plan.TargetL + plan.BeforeL
	if err != nil {
		missingL, missingUL, wholeL = -v.BalanceL, v.BalanceUL, v.DrainedL
	}
	unit := "L"
	if s.Job.Phase != NoJob {
		unit = "L at " + strconv.FormatFloat(s.Job.ReferenceC, 'g', -1, 64) + " °C"
	}
	if err == nil {
		c.Figure("target", wholeL, unit)
	} else {
		c.Figure("drained", wholeL, unit)
	}
	c.Figure("added", v.AddedL, unit)
	c.Figure("missing", missingL, unit)
	c.Figure("expanded uncertainty (k = 2)", missingUL, unit)
	c.Figure("tolerance", toleranceL, unit)
	entered := slices.ContainsFunc(s.Job.Entries, func(e Entry) bool { return e.What == EnterBottle })
	mostUL := max(toleranceL, vagueShare*wholeL)
	may := figures{"missing_l": missingL, "over_l": -missingL, "may_l": missingUL + toleranceL}
	switch {
	case s.Budget(DrainedTally) == nil:
		c.say(NotVerified, "verdict.no_drain", nil, nil)
	case !s.suppliesWeighed() && !entered:
		c.say(NotVerified, "verdict.no_added", nil, nil)
	case math.IsNaN(missingL) || math.IsNaN(missingUL):
		c.say(NotVerified, "verdict.amount_unknown", nil, nil)
	case missingL > missingUL+toleranceL:
		c.say(Failed, "verdict.missing", may, nil)
	case -missingL > missingUL+toleranceL:
		c.say(Failed, "verdict.too_much", may, nil)
	case missingUL > mostUL:
		c.say(NotVerified, "verdict.amount_vague", figures{"vague_u_l": missingUL, "most_u_l": mostUL}, nil)
	default:
		c.say(Passed, "verdict.amount_right", nil, nil)
	}
	if err != nil && s.Job.Phase != NoJob {
		c.say(Passed, "verdict.no_target", nil, nil)
	}
}

func (s *State) judgeLevel(c *Criterion) {
	j := &s.Job
	level := j.recorded(LevelAfter)
	celsius := math.NaN()
	if level != nil && level.TempC != nil {
		celsius = *level.TempC
	}
	c.Figure("fluid when it was judged", celsius, "°C")
	c.Figure("window from", j.Spec.LowC, "°C")
	c.Figure("window to", j.Spec.HighC, "°C")
	if level == nil {
		c.say(NotVerified, "verdict.no_level", nil, nil)
		return
	}
	n := names{"result": string(level.Result), "at": timeText(level.AtNs), "by": level.By, "window": string(cmp.Or(level.Window, Blind))}
	switch {
	case level.Result == NotDone || level.Result == NotNeeded:
		c.say(Failed, "verdict.level_not_judged", nil, n)
	case level.Result != Right:
		c.say(Failed, "verdict.level_judged", nil, n)
	case level.Window == Blind || level.Window == "":
		c.say(NotVerified, "verdict.level_blind", nil, n)
	case !inside(level.Window):
		c.say(Failed, "verdict.level_judged", nil, n)
	default:
		c.say(Passed, "verdict.level_judged", nil, n)
		if celsius < j.Spec.LowC || celsius > j.Spec.HighC {
			// The window may be open by so much more; see toleranceC.
			c.say(Passed, "verdict.level_beside", figures{"at_c": celsius, "low_c": j.Spec.LowC, "high_c": j.Spec.HighC}, nil)
		}
		if movedL := s.movedSince(level); movedL > maxMovedL {
			c.say(Failed, "verdict.level_moved", figures{"moved_l": movedL}, nil)
		}
	}
	if _, standsIn := s.fluidProbe(); standsIn {
		c.say(Passed, "verdict.coolant", nil, nil)
	}
}

// maxMovedL is the change that is allowed after the level was judged right: the last drops of
// a bottle and the scatter of the scale (common practice, no source).
const maxMovedL = 0.05

// movedSince returns the change since a record of what was added, or of what ran out again,
// whichever is larger.
func (s *State) movedSince(r *Record) (litres float64) {
	v := s.Volumes()
	if r.AddedL != nil && !math.IsNaN(v.AddedL) {
		litres = math.Abs(v.AddedL - *r.AddedL)
	}
	if r.AgainL != nil && !math.IsNaN(v.OverflowL) {
		litres = max(litres, math.Abs(v.OverflowL-*r.AgainL))
	}
	return litres
}

func (s *State) judgeDecisions(c *Criterion) {
	j := &s.Job
	overrides := s.overrides()
	undecided, said := 0, 0
	for i := range j.Changes {
		ch := &j.Changes[i]
		f := figures{"change": float64(ch.ID), "change_kg": ch.Kg}
		switch {
		case ch.Asks():
			undecided++
			c.say(Failed, "verdict.undecided", f, names{"sensor": ch.Sensor})
		case ch.Said != "":
			said++
			c.say(Passed, "verdict.decided", f, names{"sensor": ch.Sensor, "answer": string(ch.Said), "by": ch.By})
		}
	}
	for i := range j.Clears {
		cl := &j.Clears[i]
		n := names{"sensor": cl.Sensor, "at": timeText(cl.AtNs), "by": cl.By}
		if cl.Settled {
			c.say(Passed, "verdict.cleared", figures{"corrected_kg": cl.SettledKg - cl.LiveKg}, n)
		} else {
			c.say(Passed, "verdict.clear_open", nil, n)
		}
	}
	for _, text := range overrides {
		c.Say(Reason{Failed, text})
	}
	for _, f := range j.Forgot {
		c.say(Passed, "verdict.forgot", figures{"forgot_l": f.L}, names{"at": timeText(f.AtNs), "by": f.By, "why": f.Why})
	}
	switch {
	case j.Phase != Closed || j.Why == "" || j.Unread:
	case j.Lacked: // it may be handed on to somebody who does the rest
		c.say(NotVerified, "verdict.closed_insisted", nil, names{"why": j.Why})
	default:
		c.say(Passed, "verdict.closed_note", nil, names{"why": j.Why})
	}
	c.Figure("changes", float64(len(j.Changes)), "")
	c.Figure("of them said by people", float64(said), "")
	c.Figure("undecided", float64(undecided), "")
	c.Figure("clear weighings", float64(len(j.Clears)), "")
	c.Figure("overrides", float64(len(overrides)), "")
	switch {
	case j.Phase == NoJob:
		c.say(NotVerified, "verdict.no_job", nil, nil)
	case c.Outcome == Passed:
		c.say(Passed, "verdict.decisions_right", nil, nil)
	}
}

// overrides lists what people decided against the program, one text each.
func (s *State) overrides() (list []Text) {
	j := &s.Job
	if j.Spec.OtherFluid != "" {
		list = append(list, Text{"verdict.other_fluid", nil, names{"fluid": j.Spec.Fresh.Name, "asked": j.Spec.AskedFluid, "why": j.Spec.OtherFluid, "by": j.Spec.OtherFluidBy}})
	}
	for _, p := range j.Phases {
		if p.Why != "" {
			list = append(list, Text{"verdict.early", nil, names{"phase": string(p.Phase), "why": p.Why}})
		}
	}
	switch {
	case j.Phase == Closed && j.Unread:
		list = append(list, Text{"verdict.closed_why", nil, names{"why": j.Why}})
	case j.Phase == Abandoned:
		list = append(list, Text{"verdict.abandoned", nil, names{"why": j.Why}})
	}
	return list
}

func (s *State) judgeCalibrations(c *Criterion) {
	probes := 0
	for i := range s.Job.Fitted {
		f := &s.Job.Fitted[i]
		c.Say(f.Judge(s.NowNs))
		if f.IsProbe() {
			probes++
		}
	}
	scales := len(s.Job.Fitted) - probes
	c.Figure("scales", float64(scales), "")
	c.Figure("probes", float64(probes), "")
	if scales == 0 {
		c.say(NotVerified, "verdict.no_scale", nil, nil)
	}
	if probes == 0 {
		c.say(NotVerified, "verdict.no_probe", nil, nil)
	}
}

func (s *State) judgeSensors(c *Criterion) {
	troubles := s.Troubles()
	longestNs := int64(0)
	for _, t := range troubles {
		longestNs = max(longestNs, t.ToNs-t.FromNs)
		n := names{"sensor": t.Sensor, "at": timeText(t.FromNs)}
		f := figures{"for_s": float64(t.ToNs-t.FromNs) / 1e9}
		// When a silent scale comes back, the next weighing counts what ran meanwhile, and
		// somebody says what other changes were.
		isScale := slices.ContainsFunc(s.Setup.Scales, func(sc ScaleSetup) bool { return sc.Sensor == t.Sensor })
		switch {
		case !t.Silent():
			n["frame"] = strings.Join(t.Faults.Names(), " ")
			c.say(Failed, "verdict.said", f, n)
		case isScale && t.ToNs < s.NowNs:
			c.say(Passed, "verdict.not_heard_weighed", f, n)
		default:
			c.say(Failed, "verdict.not_heard", f, n)
		}
	}
	c.Figure("holes and alerts", float64(len(troubles)), "")
	c.Figure("longest", float64(longestNs)/1e9, "s")
	switch {
	case len(s.Job.Fitted) == 0:
		c.say(NotVerified, "verdict.no_instruments", nil, nil)
	case len(troubles) == 0:
		c.say(Passed, "verdict.sensors_right", nil, nil)
	}
}

// Missing lists the items of work of which nothing is on record although their phase has come
// or gone.
func (s *State) Missing() (list []Item) {
	furthest := 0
	for _, p := range s.Job.Phases {
		furthest = max(furthest, p.Phase.place())
	}
	for _, i := range items {
		if i.Phase.place() <= furthest && s.Job.recorded(i.Item) == nil {
			list = append(list, i.Item)
		}
	}
	return list
}
