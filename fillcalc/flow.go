package fillcalc

import (
	"fmt"
	"math"
	"strings"
)

// PhaseAt records when a phase began.
type PhaseAt struct {
	Phase Phase  `json:"phase"`
	AtNs  int64  `json:"at_ns"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"` // given for a phase that was too early
}

// phaseOrder is the usual order of phases.
var phaseOrder = [...]Phase{Ready, Draining, Service, Filling, Running, Checking, Closed}

func (p Phase) place() int {
	for i, o := range phaseOrder {
		if o == p {
			return i
		}
	}
	return -1
}

// Remark is something that was omitted, out of order or not as it should be. It
// stays on the job's record but forbids nothing.
type Remark struct {
	Kind string
	Text string
}

// Remarks lists the remarks about the job so far.
func (s *State) Remarks() []Remark {
	j := &s.Job
	var list []Remark
	add := func(kind, format string, args ...any) {
		list = append(list, Remark{kind, fmt.Sprintf(format, args...)})
	}
	if j.Phase == NoJob {
		return nil
	}
	furthest := 0
	for i, p := range j.Phases {
		place := p.Phase.place()
		if i > 0 && place > 0 && place < j.Phases[i-1].Phase.place() {
			add("back", "%s again after %s", p.Phase, j.Phases[i-1].Phase)
		}
		if p.Why != "" {
			add("early", "%s all the same: %s", p.Phase, p.Why)
		}
		furthest = max(furthest, place)
	}
	seen := map[Phase]bool{}
	for _, p := range j.Phases {
		seen[p.Phase] = true
	}
	for i, p := range phaseOrder {
		if i > 0 && i < furthest && !seen[p] {
			add("skipped", "there was no phase %s", p)
		}
	}
	var missing []string
	for _, i := range items {
		r := j.recorded(i.Item)
		switch {
		case r == nil && i.Phase.place() < furthest:
			missing = append(missing, i.Text)
		case r == nil:
		case r.Result == NotDone:
			add("not_done", "not done: %s%s", i.Text, note(r))
		case i.Item == Seal && r.Result == Done && r.Count > 1:
			add("seal", "%d seals were recorded: exactly one belongs there", r.Count)
		case i.Item == Torque && r.Result == Done && r.SpecifiedNM > 0 && math.Abs(r.AppliedNM-r.SpecifiedNM) > 0.1*r.SpecifiedNM:
			add("torque", "bolts were tightened to %.1f N·m, %.1f are specified", r.AppliedNM, r.SpecifiedNM)
		case i.Item == LevelAfter && r.Window != Open && r.Window != Closing:
			at := "at an unknown temperature"
			if r.TempC != nil {
				at = fmt.Sprintf("at %.1f °C", *r.TempC)
			}
			add("level", "the level was judged %s: the window is %g to %g °C", at, j.Spec.LowC, j.Spec.HighC)
		case i.Item == LevelAfter && r.Result != Right:
			add("level", "the level was %s at the end", r.Result)
		}
	}
	if len(missing) > 0 {
		add("missing", "not recorded: %s", strings.Join(missing, "; "))
	}
	if furthest > Running.place() && len(j.Gears) == 0 {
		add("gears", "no gears were recorded as worked")
	}
	if j.Spec.OtherFluid != "" {
		add("fluid", "%s instead of %s: %s", j.Spec.Fresh.Name, j.Spec.AskedFluid, j.Spec.OtherFluid)
	}
	return list
}

func note(r *Record) string {
	if r.Note == "" {
		return ""
	}
	return ": " + r.Note
}

// Ask is a request to the technician: a text, and the command that answers it.
type Ask struct {
	Text   string
	Do     Do
	Phase  Phase // of a phase command
	Change int   // of an answer
	Item   Item  // of a record
}

// Next lists what to do now, the most urgent first.
func (s *State) Next() []Ask {
	j := &s.Job
	if !j.Phase.Open() {
		return []Ask{{Text: "Open a job.", Do: DoOpen}}
	}
	var list []Ask
	for _, c := range s.Questions() {
		if len(list) < 3 { // more at once would not be answered
			list = append(list, Ask{Text: s.question(&c), Do: DoAnswer, Change: c.ID})
		}
	}
	for _, i := range items {
		if i.Phase == j.Phase && i.Item != LevelAfter && j.recorded(i.Item) == nil {
			list = append(list, Ask{Text: "Record: " + i.Text + ".", Do: DoRecord, Item: i.Item})
		}
	}
	plan, err := s.Plan()
	v := s.Volumes()
	phase := func(p Phase, format string, args ...any) {
		list = append(list, Ask{Text: fmt.Sprintf(format, args...), Do: DoPhase, Phase: p})
	}
	switch j.Phase {
	case Ready:
		phase(Draining, "Caddy below the pan, then drain.")
	case Draining:
		switch f := s.Tail.Forecast(s.NowNs); {
		case f.Known && f.Drips:
			phase(Service, "It drips: %.0f mL more in five minutes. Tip the pan, then service.", 1e6*f.In5MinKg/j.UsedKgM3)
		case f.Known:
			phase(Service, "It still runs.")
		default:
			phase(Service, "Let it run dry.")
		}
	case Service:
		phase(Filling, "Pan closed? Then fill.")
	case Filling:
		switch {
		case err != nil:
			phase(Running, "Pour the first fill.")
		case plan.RemainingL > 0.05:
			phase(Running, "Pour %.2f L more for the first fill.", plan.RemainingL)
		default:
			phase(Running, "The first fill is in. Start the engine and work the gears.")
		}
	case Running:
		if gear, left, ok := s.GearLeftS(); ok && left > 0 {
			list = append([]Ask{{Text: fmt.Sprintf("Hold %s for %.0f s.", gear, math.Ceil(left)), Do: DoGear}}, list...)
		} else {
			list = append(list, Ask{Text: "Work the gears, about five seconds each.", Do: DoGear})
		}
		phase(Checking, "Then top up and check the level.")
	case Checking:
		switch w := s.CheckWindow(); {
		case err == nil && plan.RemainingL > 0.05:
			list = append(list, Ask{Text: fmt.Sprintf("Top up by %.2f L.", plan.RemainingL), Do: DoEnter})
		case w.State == Open || w.State == Closing:
			list = append(list, Ask{Text: fmt.Sprintf("Judge the level now, at %.0f °C.", w.TempC), Do: DoRecord, Item: LevelAfter})
		case w.State == Above:
			list = append(list, Ask{Text: "Too warm: wait until the window opens again.", Do: DoTick})
		case j.recorded(LevelAfter) == nil:
			list = append(list, Ask{Text: "Wait for the check window.", Do: DoTick})
		}
		if j.recorded(LevelAfter) != nil && v.Quality.Good() {
			list = append(list, Ask{Text: "Close the job.", Do: DoClose})
		}
	}
	return list
}

// question asks what a change was, in words that a person at the cart can answer.
func (s *State) question(c *Change) string {
	ago := "just now"
	if minutes := (s.NowNs - c.AtNs) / 60e9; minutes > 0 {
		ago = fmt.Sprintf("%d min ago", minutes)
	}
	switch {
	case c.Kg > 0:
		return fmt.Sprintf("%.2f kg came onto %s %s and have not gone: fluid, or does it lie there?", c.Kg, c.Sensor, ago)
	case c.Last > 0:
		return fmt.Sprintf("What went off %s %s did not come back: bottles, poured in and thrown away?", c.Sensor, ago)
	}
	for i := range s.Job.Changes {
		o := &s.Job.Changes[i]
		if sc := s.scale(c.Sensor); sc != nil && o.Sensor == c.Sensor && o.Said == AsFluid && math.Abs(o.Kg+c.Kg) <= sc.slackKg(o.U2+c.U2, c.Kg) {
			return fmt.Sprintf("%.2f kg went off %s %s, as much as change %d, of which you said that it was fluid: was that a thing, and has it gone?", -c.Kg, c.Sensor, ago, o.ID)
		}
	}
	return fmt.Sprintf("%.2f kg went off %s %s: had it lain there from the start?", -c.Kg, c.Sensor, ago)
}

// tooEarly says why a phase should not begin yet; empty if it may begin. A phase
// that may harm the transmission or a person needs a reason; anything else out of
// order is only a [Remark].
func (s *State) tooEarly(p Phase) string {
	if p != Running && p != Checking || s.Job.EngineRan {
		return ""
	}
	plan, err := s.Plan()
	if err != nil || plan.FirstFillL < 0.5 {
		return ""
	}
	added := plan.FirstFillL - plan.RemainingL
	if added < plan.FirstFillL/2 {
		return fmt.Sprintf("only %.2f L of the first fill of %.2f L are in: an engine that runs with too little fluid ruins the transmission", max(0, added), plan.FirstFillL)
	}
	return ""
}
