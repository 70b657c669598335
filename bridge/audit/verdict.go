package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"bayfill/fillcalc"
)

// Outcome is how something was judged.
type Outcome string

const (
	Passed      Outcome = "passed"
	NotVerified Outcome = "not_verified" // what would tell is not there
	Failed      Outcome = "failed"
)

// Words are the outcome for people.
func (o Outcome) Words() string {
	if o == NotVerified {
		return "not verified"
	}
	return string(o)
}

// worse is the worse of two: what failed outweighs what could not be verified.
func (o Outcome) worse(p Outcome) Outcome {
	order := []Outcome{Passed, NotVerified, Failed}
	return order[max(slices.Index(order, o), slices.Index(order, p))]
}

// Verdict says whether a job was done right: it passed when every criterion did,
// failed when one did, and is not verified otherwise.
type Verdict struct {
	Outcome    Outcome     `json:"outcome"`
	ToleranceL number      `json:"tolerance_l"`
	Criteria   []Criterion `json:"criteria"`
}

// Criterion is one rule, the figures that it was judged by, and what there is to
// say.
type Criterion struct {
	Name    string   `json:"name"`
	Title   string   `json:"title"`
	Outcome Outcome  `json:"outcome"`
	Figures []Figure `json:"figures"`
	Says    []string `json:"says"`
}

// Figure is a number with its name and unit; null when it is not known.
type Figure struct {
	Name  string `json:"name"`
	Value number `json:"value"`
	Unit  string `json:"unit,omitempty"`
}

// Text writes the figure with as many decimals as its unit bears.
func (f Figure) Text() string {
	switch f.Unit {
	case "":
		return f.Value.Fixed(0)
	case "°C", "s":
		return f.Value.Fixed(1) + " " + f.Unit
	}
	return f.Value.Fixed(3) + " " + f.Unit
}

// say notes a reason, and what follows from it.
func (c *Criterion) say(o Outcome, format string, args ...any) {
	c.Outcome = c.Outcome.worse(o)
	c.Says = append(c.Says, fmt.Sprintf(format, args...))
}

func (c *Criterion) figure(name string, value float64, unit string) {
	c.Figures = append(c.Figures, Figure{name, number(value), unit})
}

// DefaultToleranceL is by how much the amount may be off beyond its uncertainty:
// less than a dipstick shows (common practice, no source).
const DefaultToleranceL = 0.1

// Judge tells whether the job of a report was done right, by the fold's own
// figures.
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
	other := slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Kind == Version })
	switch {
	case r.Events == 0 && r.SameAndComplete():
		c.say(NotVerified, "There is no record.")
	case !r.Complete:
		c.say(Failed, "The record is not complete.")
	case other:
		c.say(NotVerified, "It was computed by another version of the calculation: audit it with that one.")
	case !r.Same:
		c.say(Failed, "What was published does not come out again.")
	default:
		c.say(Passed, "Every figure that was published came out again to the last bit, and no event is missing, altered or added.")
	}
}

// judgeAmount holds what is missing against the plan's target; where there is
// none, what was added against what was drained.
func (r *Report) judgeAmount(c *Criterion, toleranceL float64) {
	s := r.state
	s.Job.EngineRan = true // of an engine that never ran, too, the whole target counts
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
	told := slices.ContainsFunc(s.Job.Entries, func(e fillcalc.Entry) bool { return e.What == fillcalc.EnterBottle })
	switch {
	case !s.Job.Drained.Begun:
		c.say(NotVerified, "No draining was weighed.")
	case !weighed && !told:
		c.say(NotVerified, "No scale weighed the fresh fluid, and no bottle was entered.")
	case !isNumber(missingL) || !isNumber(missingUL):
		c.say(NotVerified, "Drained or added is not known: %s.", v.Quality)
	case math.Abs(missingL) > missingUL+toleranceL:
		word := "missing"
		if missingL < 0 {
			word = "too much"
		}
		c.say(Failed, "%.3f L are %s, more than the uncertainty and the tolerance leave open.", math.Abs(missingL), word)
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
	told := fmt.Sprintf("Judged %s at %s by %s; the window was %s.", level.Result, shortTime(level.AtNs), cmp.Or(level.By, "somebody"), level.Window)
	switch {
	case level.Result == fillcalc.NotDone || level.Result == fillcalc.NotNeeded:
		c.say(Failed, "The level was not judged: %s.", strings.ReplaceAll(string(level.Result), "_", " "))
	case level.Result != fillcalc.Right:
		c.say(Failed, "%s", told)
	case level.Window == fillcalc.Blind || level.Window == "":
		c.say(NotVerified, "%s Nobody knows how warm the fluid was.", told)
	case level.Window != fillcalc.Open && level.Window != fillcalc.Closing:
		c.say(Failed, "%s", told)
	default:
		c.say(Passed, "%s", told)
		if movedL := r.movedSince(level.AtNs); movedL > movedAfterL {
			c.say(Failed, "%.2f L were poured or ran out afterwards: it was not judged again.", movedL)
		}
	}
	if r.state.Setup.Probe.Sensor == "" && r.state.Setup.Coolant.Sensor != "" {
		c.say(Passed, "The temperature is the coolant's, which stands in for the fluid's.")
	}
}

// movedAfterL is what a level may move by after it was judged right, a bottle's last
// drops and the scale's scatter (common practice, no source).
const movedAfterL = 0.05

// movedSince is by how much what was added, or ran out at the check opening, has
// changed since a time.
func (r *Report) movedSince(ns int64) (litres float64) {
	var s fillcalc.State
	for _, e := range r.events {
		if e.AtNs > ns {
			break
		}
		s = fillcalc.Apply(s, e)
	}
	was, is := s.Volumes(), r.state.Volumes()
	if litres = math.Abs(is.AddedL - was.AddedL); !math.IsNaN(is.OverflowL - was.OverflowL) {
		litres = max(litres, math.Abs(is.OverflowL-was.OverflowL))
	}
	return litres
}

func (r *Report) judgeDecisions(c *Criterion) {
	j := &r.state.Job
	overrides := r.overrides()
	undecided := 0
	for _, step := range j.Steps[min(j.StepsBefore, len(j.Steps)):] {
		if step.As == "" {
			undecided++
			c.say(Failed, "Step %d (%+.3f kg on %s) was never decided.", step.ID, step.Kg, step.Sensor)
		}
	}
	for _, text := range overrides {
		c.say(Failed, "Override: %s.", text)
	}
	c.figure("steps", float64(len(j.Steps)), "")
	c.figure("undecided", float64(undecided), "")
	c.figure("overrides", float64(len(overrides)), "")
	switch {
	case j.Phase == fillcalc.NoJob:
		c.say(NotVerified, "The job cannot be folded.")
	case c.Outcome == Passed:
		c.say(Passed, "All steps are decided, and the job was closed without a reason why.")
	}
}

// overrides are what somebody decided in spite of the program.
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

// instrument is a scale, or the probe that the check window follows, with the
// calibration by which it was corrected.
type instrument struct {
	sensor, role string
	scale        *fillcalc.ScaleCalibration
	probe        *fillcalc.ProbeCalibration
}

func (a *instrument) same(b *instrument) bool {
	return a.sensor == b.sensor && a.role == b.role && (a.scale == nil) == (b.scale == nil) && (a.probe == nil) == (b.probe == nil) &&
		(a.scale == nil || *a.scale == *b.scale) && (a.probe == nil || *a.probe == *b.probe)
}

// instruments lists those that the job relied on; one that was calibrated anew
// meanwhile stands there twice.
func (r *Report) instruments() (list []instrument) {
	for i := range r.events {
		in := r.events[i].Input
		if in == nil || in.Setup == nil {
			continue
		}
		var now []instrument
		for _, sc := range in.Setup.Scales {
			now = append(now, instrument{sensor: sc.Sensor, role: string(sc.Load), scale: sc.Calibration})
		}
		if p, role := windowProbe(in.Setup); p.Sensor != "" {
			now = append(now, instrument{sensor: p.Sensor, role: role, probe: p.Calibration})
		}
		for _, n := range now {
			if !slices.ContainsFunc(list, func(o instrument) bool { return o.same(&n) }) {
				list = append(list, n)
			}
		}
	}
	return list
}

// windowProbe is the probe that the check window follows.
func windowProbe(setup *fillcalc.Setup) (p fillcalc.ProbeSetup, role string) {
	if setup.Probe.Sensor == "" {
		return setup.Coolant, "coolant"
	}
	return setup.Probe, "fluid"
}

func (r *Report) judgeCalibrations(c *Criterion) {
	list := r.instruments()
	probes := 0
	for i := range list {
		o, text := list[i].judge(r.state.NowNs)
		c.say(o, "%s", text)
		if list[i].role == "fluid" || list[i].role == "coolant" {
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

// judge tells whether the instrument's calibration held at a time.
func (a *instrument) judge(nowNs int64) (Outcome, string) {
	var atNs int64
	var passed, overdue bool
	var wrong error
	switch {
	case a.scale != nil:
		atNs, passed, overdue, wrong = a.scale.AtNs, a.scale.Passed, a.scale.Overdue(nowNs), a.scale.Check()
	case a.probe != nil:
		atNs, passed, overdue, wrong = a.probe.AtNs, a.probe.Passed, a.probe.Overdue(nowNs), a.probe.Check()
	default:
		return NotVerified, fmt.Sprintf("%s (%s): no calibration is on record.", a.sensor, a.role)
	}
	told := fmt.Sprintf("%s (%s): calibrated %s", a.sensor, a.role, day(atNs))
	switch {
	case wrong != nil:
		return NotVerified, fmt.Sprintf("%s, but %v.", told, wrong)
	case atNs > nowNs:
		return Failed, told + ", after the job."
	case !passed:
		return Failed, told + ", and it failed."
	case overdue:
		return Failed, told + ", and the next was overdue."
	}
	return Passed, told + ", passed, not overdue."
}

const silentText = "was not heard"

// Trouble is a time in which an instrument that counted was not heard, or said
// itself that something was wrong.
type Trouble struct {
	Sensor string  `json:"sensor"`
	Text   string  `json:"text"`
	From   instant `json:"from"`
	To     instant `json:"to"`
}

func (r *Report) judgeSensors(c *Criterion) {
	troubles := r.troubles()
	longest := int64(0)
	for _, t := range troubles {
		longest = max(longest, int64(t.To-t.From))
		// What a scale's load changed by in a silence is a step, which somebody decided.
		o, then := Failed, ""
		scale := slices.ContainsFunc(r.state.Setup.Scales, func(sc fillcalc.ScaleSetup) bool { return sc.Sensor == t.Sensor })
		if scale && t.Text == silentText && int64(t.To) < r.state.NowNs {
			o, then = Passed, ": what changed meanwhile was held apart"
		}
		c.say(o, "%s %s from %s to %s%s.", t.Sensor, t.Text, shortTime(int64(t.From)), shortTime(int64(t.To)), then)
	}
	c.figure("holes and alerts", float64(len(troubles)), "")
	c.figure("longest", float64(longest)/1e9, "s")
	switch {
	case len(r.instruments()) == 0:
		c.say(NotVerified, "Which instruments there were is not on record.")
	case len(troubles) == 0:
		c.say(Passed, "No instrument fell silent, and none said that something was wrong.")
	}
}

const (
	// How long the fold waits for a scale and for a probe: fillcalc/scale.go and
	// probe.go.
	maxScaleSilenceNs = 3e9
	maxProbeSilenceNs = 10.5e9
	// A damaged frame between good ones hides nothing.
	toldFaults = fillcalc.FaultOverload | fillcalc.FaultUnderload | fillcalc.FaultSensor | fillcalc.FaultUnit | fillcalc.FaultNoUnit
)

// listened is an instrument as it is listened to.
type listened struct {
	sensor  string
	counts  func(fillcalc.Phase) bool
	holeNs  int64
	sinceNs int64 // last value, or when it began to count; 0 while it does not
	open    int   // place of the trouble that lasts, from 1
}

// troubles listens to the job again. A scale counts as it does in the fold, the
// probe while the level is checked; whether that was known at the moment when the
// level was judged, is the level's criterion.
func (r *Report) troubles() (list []Trouble) {
	var heard []listened
	var s fillcalc.State
	for i := range r.events {
		e := &r.events[i]
		s = fillcalc.Apply(s, *e)
		if e.Input != nil && e.Input.Setup != nil {
			heard = relisten(heard, &s.Setup)
		}
		for k := range heard {
			h := &heard[k]
			own := e.Kind != fillcalc.KindInput && e.Sensor == h.sensor
			said := own && !e.Faults.Hidden()
			counts := h.counts(s.Job.Phase)
			if h.sinceNs != 0 && (said || !counts || i == len(r.events)-1) && e.AtNs-h.sinceNs > h.holeNs {
				list = append(list, Trouble{h.sensor, silentText, instant(h.sinceNs), instant(e.AtNs)})
			}
			switch {
			case !counts:
				h.sinceNs, h.open = 0, 0
			case said || h.sinceNs == 0:
				h.sinceNs = e.AtNs
			}
			if !own || !counts {
				continue
			}
			text := strings.Join((e.Faults & toldFaults).Names(), ", ")
			switch {
			case text == "":
				h.open = 0
			case h.open != 0 && list[h.open-1].Text == "said "+text:
				list[h.open-1].To = instant(e.AtNs)
			default:
				list = append(list, Trouble{h.sensor, "said " + text, instant(e.AtNs), instant(e.AtNs)})
				h.open = len(list)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b Trouble) int { return cmp.Compare(a.From, b.From) })
	return list
}

// relisten takes up a setup; what is known of instruments that stay is kept.
func relisten(before []listened, setup *fillcalc.Setup) (now []listened) {
	for _, sc := range setup.Scales {
		now = append(now, listened{sensor: sc.Sensor, holeNs: maxScaleSilenceNs, counts: func(p fillcalc.Phase) bool {
			emptying := p == fillcalc.Draining || p == fillcalc.Service
			return p.Open() && p != fillcalc.Ready && (sc.Load != fillcalc.SupplyLoad || !emptying)
		}})
	}
	if p, _ := windowProbe(setup); p.Sensor != "" {
		now = append(now, listened{sensor: p.Sensor, holeNs: maxProbeSilenceNs, counts: func(p fillcalc.Phase) bool { return p == fillcalc.Checking }})
	}
	for i := range now {
		for _, b := range before {
			if b.sensor == now[i].sensor {
				now[i].sinceNs = b.sinceNs
			}
		}
	}
	return now
}
