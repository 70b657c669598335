package board

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/chart"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// group is a row of buttons under one question.
type group struct {
	Title   string
	Urgent  bool
	Trace   trace // of the change in question
	Entries []entry
	Buttons []button
}

// button sends a command. A command that cannot be undone needs a second press.
type button struct {
	Means   string // what the press says, above the label; usually empty
	Label   string
	Command string // JSON
	With    string // names of the entries that become fields of the command, separated by spaces
	Main    bool
	Twice   bool
}

// set is a field of a command and its value; an empty text or nil leaves it out.
type set struct {
	field string
	value any
}

// newButton makes a button that sends a command with these fields.
func newButton(label, do string, fields ...set) button {
	command := fmt.Appendf(nil, `{"do":%q`, do)
	for _, f := range fields {
		value, _ := json.Marshal(f.value) // texts, figures and pointers to such: it cannot fail
		if text := string(value); text != `""` && text != "null" {
			command = fmt.Appendf(command, `,%q:%s`, f.field, text)
		}
	}
	command = append(command, '}')
	return button{Label: label, Command: string(command)}
}

// turns are the changes of phase that have a button: forward, and back where a technician
// goes back. Close has no phase.
var turns = map[string][]struct{ to, label string }{
	"ready":    {{"draining", "Start draining"}},
	"draining": {{"service", "to service"}, {"filling", "straight to filling"}},
	"service":  {{"filling", "to filling"}, {"draining", "Back to draining"}},
	"filling":  {{"running", "Engine runs"}, {"service", "back to service"}},
	"running":  {{"checking", "Check the level"}, {"filling", "back to filling"}},
	"checking": {{"", "close the job"}, {"filling", "back to filling"}},
}

// groups returns the buttons for a cart's present state.
func groups(c *cart) []group {
	phase, j := c.volumes.message.Phase, &c.job.message
	switch {
	case phase == "" || phase == "closed" || phase == "abandoned":
		return []group{open(c)}
	case turns[phase] == nil:
		return nil
	}
	on := c.next(phase)
	if len(j.Questions) > 0 {
		on.Title, on.Buttons = "Next", on.Buttons[:1]
		return []group{question(j), on} // the question comes first
	}
	var list []group
	for _, ask := range j.Flow.Next {
		if g := record(ask, j); g.Buttons != nil && j.Phase == phase {
			list = append(list, g)
			break // only the first record that is missing
		}
	}
	if phase == "running" {
		g := group{Title: "Gear in hand"}
		for _, gear := range []string{"P", "R", "N", "D"} {
			g.Buttons = append(g.Buttons, newButton(gear, "gear", set{"gear", gear}))
		}
		list = append(list, g)
	}
	byOverflow := j.ServiceData != nil && j.ServiceData.Check != nil && *j.ServiceData.Check == string(fillcalc.ByOverflow)
	if phase == "checking" && !byOverflow {
		g := group{Title: "Dipstick, between the marks"}
		for _, level := range []struct {
			label string
			share float64
		}{{"0", 0}, {"¼", 0.25}, {"½", 0.5}, {"¾", 0.75}, {"1", 1}} {
			g.Buttons = append(g.Buttons, newButton(level.label, "enter", set{"what", "dipstick"}, set{"share", level.share}))
		}
		list = append(list, g)
	}
	if (phase == "filling" || phase == "running" || phase == "checking") && !c.about.at.IsZero() && !c.weighsSupply() {
		list = append(list, bottles(j))
	}
	return append(list, on)
}

// next returns the buttons that lead on from a phase. Those to service and to filling say
// what the press means: the scales are weighed then. The level check ends with a weighing.
func (c *cart) next(phase string) group {
	g := group{Title: "Next", Entries: []entry{why(phase)}}
	for _, turn := range turns[phase] {
		b := newButton(turn.label, "phase", set{"phase", turn.to})
		switch turn.to {
		case "service", "filling":
			g.Title = "Next (alone: nothing else on the scales)"
			b.Means = c.alone(turn.to)
		case "":
			b = newButton(turn.label, "close")
			b.Means, b.Twice = "All weighed:", true
		}
		b.With = "why"
		g.Buttons = append(g.Buttons, b)
	}
	j := &c.job.message
	n := len(j.Clears)
	weighed := j.Phase == phase && j.PhaseAt != nil && n > 0 && j.Clears[n-1].At >= *j.PhaseAt
	if phase == "checking" && !weighed {
		b := newButton("weigh", "clear")
		b.Means = c.alone("filling")
		g.Buttons = slices.Insert(g.Buttons, 0, b)
	}
	g.Buttons[0].Main = true
	return g
}

// alone says what stands on the scales that count in a phase, and nothing else.
func (c *cart) alone(phase string) string {
	for _, s := range c.about.message.Sensors {
		if s.Role == "caddy+supply" || s.Role == "supply" && phase != "service" {
			return "Containers alone:"
		}
	}
	return "Caddy alone:"
}

// question asks what the oldest of the changes in question was.
func question(j *wire.Job) group {
	q := &j.Questions[0]
	g := group{Urgent: true, Title: "What was this? " + weighed(q.Kg, q.Sensor, q.At), Trace: newTrace(q)}
	if rest := len(j.Questions) - 1; rest > 0 {
		g.Title += fmt.Sprintf(" (%d more to come)", rest)
	}
	for _, as := range q.Answers {
		label := answerWords(as, q.Kg)
		if l := float64(q.L); as == string(fillcalc.AsFluid) && !math.IsNaN(l) {
			label += fmt.Sprintf(", %.2f L", math.Abs(l))
		}
		g.Buttons = append(g.Buttons, newAnswer(q.Change, q.At, as, label))
	}
	return g
}

// weighed says how much came or went, where and when. It must not contain an age: that
// would change every second, and with it the buttons under a finger.
func weighed(kg wire.Number, sensor, ts string) string {
	text := chart.Figure("%+.2f kg", float64(kg)) + " on " + sensor
	if at, err := time.Parse(time.RFC3339, ts); err == nil {
		text += " at " + at.Local().Format("15:04:05")
	}
	return text
}

// answerWords says in the words of a technician what a change was.
func answerWords(as string, kg wire.Number) string {
	switch fillcalc.Label(as) {
	case fillcalc.AsFluid:
		return "Fluid"
	case fillcalc.AsGone:
		if kg < 0 {
			return "Came and went"
		}
		return "Gone again"
	case fillcalc.AsThing:
		if kg < 0 {
			return "Lay there"
		}
		return "Lies there"
	case fillcalc.AsContainer:
		return "Container"
	case fillcalc.AsBottle:
		return "Bottle, thrown away"
	}
	return "not known yet"
}

// maxOther is how many of the newest changes have room on the page.
const maxOther = 6

// otherwise offers, for each of the newest changes, to say that it was something else than
// it is taken for. Of a group the last change stands for all.
func otherwise(c *cart) (list []group) {
	for _, ch := range slices.Backward(c.job.message.Changes) {
		if ch.Last > 0 && ch.Last != ch.Change {
			continue
		}
		g := group{Title: weighed(ch.Kg, ch.Sensor, ch.At) + ": " + answerWords(ch.As, ch.Kg)}
		for _, s := range c.about.message.Sensors {
			if s.Name != ch.Sensor {
				continue
			}
			for _, as := range wire.Answers(fillcalc.Load(s.Role), float64(ch.Kg)) {
				if as != ch.As {
					g.Buttons = append(g.Buttons, newAnswer(ch.Change, ch.At, as, answerWords(as, ch.Kg)))
				}
			}
		}
		if list = append(list, g); len(list) == maxOther {
			break
		}
	}
	return list
}

func newAnswer(change int, at, as, label string) button {
	return newButton(label, string(fillcalc.DoAnswer), set{"change", change}, set{"change_at", at}, set{"as", as})
}

// record offers the possible results of a record.
func record(ask wire.JobAsk, j *wire.Job) group {
	g := group{Title: ask.Text}
	if ask.Do != "record" {
		return g
	}
	results := []struct{ result, label string }{{"done", "Done"}, {"not_needed", "Not needed"}, {"not_done", "Not done"}}
	if strings.HasPrefix(ask.Item, "level") {
		g.Title = "The level is"
		results = []struct{ result, label string }{{"right", "Right"}, {"low", "Low"}, {"high", "High"}}
	}
	for _, r := range results {
		g.Buttons = append(g.Buttons, newButton(r.label, "record", set{"item", ask.Item}, set{"result", r.result}))
	}
	if ask.Item == string(fillcalc.Torque) {
		specified := ""
		e := entry{ID: "torque", Name: "applied", Label: "applied, with unit"}
		if j.ServiceData != nil && j.ServiceData.BoltTorqueNM > 0 {
			specified = fmt.Sprintf("%.4g N m", float64(j.ServiceData.BoltTorqueNM))
			e.Value = specified
		}
		g.Entries = []entry{e}
		g.Buttons[0] = newButton("Done", "record", set{"item", ask.Item}, set{"result", "done"}, set{"specified", specified})
		g.Buttons[0].With = e.Name
	}
	return g
}

// bottles counts a bottle that was poured in, of the size that the job names or of a usual
// size.
func bottles(j *wire.Job) group {
	size := func(label string, l float64) button {
		return newButton(label, "enter", set{"what", "bottle"}, set{"l", l}, set{"share", 1})
	}
	g := group{Title: "One more bottle"}
	if j.ServiceData != nil && j.ServiceData.BottleL > 0 {
		l := float64(j.ServiceData.BottleL)
		g.Buttons = []button{size(fmt.Sprintf("+ %.2f L", l), l)}
	} else {
		g.Buttons = []button{size("+ 1 L", 1), size("+ 1 qt", fillcalc.LitresPerUSQuart)}
	}
	return g
}
