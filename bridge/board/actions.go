package board

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// group is a row of buttons under one question.
type group struct {
	Title   string
	Urgent  bool
	Entries []entry
	Buttons []button
}

// button sends a command. A command that cannot be undone needs a second press.
type button struct {
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

// steps are the changes of phase that have a button: forward, and back where a technician
// goes back.
var steps = map[string][]struct{ to, label string }{
	"ready":    {{"draining", "Start draining"}},
	"draining": {{"service", "To service"}, {"filling", "Straight to filling"}},
	"service":  {{"filling", "Start filling"}, {"draining", "Back to draining"}},
	"filling":  {{"running", "Engine runs"}, {"service", "Back to service"}},
	"running":  {{"checking", "Check the level"}, {"filling", "Back to filling"}},
	"checking": {{"", "Close the job"}, {"filling", "Back to filling"}},
}

// groups returns the buttons for a cart's present state.
func groups(c *cart) []group {
	phase, j := c.volumes.message.Phase, &c.job.message
	switch {
	case phase == "" || phase == "closed" || phase == "abandoned":
		return []group{open(c)}
	case steps[phase] == nil:
		return nil
	}
	on := group{Title: "Next", Entries: []entry{why(phase)}}
	for i, step := range steps[phase] {
		b := newButton(step.label, "phase", set{"phase", step.to})
		if step.to == "" {
			b = newButton(step.label, "close")
		}
		b.Main, b.Twice, b.With = i == 0, step.to == "", "why"
		on.Buttons = append(on.Buttons, b)
	}
	if len(j.Undecided) > 0 {
		on.Buttons = on.Buttons[:1]
		return []group{c.question(j), on} // the question comes first
	}
	var list []group
	for _, ask := range j.Flow.Next {
		if ask.Do == string(fillcalc.DoCleared) && j.Phase == phase {
			list = append(list, cleared(ask))
			break
		}
	}
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

// question asks what the oldest undecided step was. The answer also holds the step's time,
// so that no other step is decided by mistake.
//
// The title must not contain an age: it would change every second, and with it the buttons
// under a finger.
func (c *cart) question(j *wire.Job) group {
	step := j.Undecided[0]
	when := ""
	if at, err := time.Parse(time.RFC3339, step.At); err == nil {
		when = " at " + at.Local().Format("15:04:05")
	}
	g := group{Urgent: true, Title: fmt.Sprintf("What was this? %+.2f kg on %s%s", float64(step.Kg), step.Sensor, when)}
	if rest := len(j.Undecided) + j.UndecidedLeftOut - 1; rest > 0 {
		g.Title += fmt.Sprintf(" (%d more to come)", rest)
	}
	fluid := "Fluid"
	if l := float64(step.L); !math.IsNaN(l) {
		fluid = fmt.Sprintf("Fluid, %.2f L", math.Abs(l))
	}
	more := struct{ as, label string }{"pan", "The pan"}
	if step.Kg < 0 {
		more.as, more.label = "before", "Tool from before"
	}
	for _, as := range []struct{ as, label string }{
		{"fluid", fluid}, {"object", "A tool"}, more, {"swap", "A container"}, {"lean", "A push"},
	} {
		g.Buttons = append(g.Buttons, newButton(as.label, "decide", set{"step", step.Step}, set{"step_at", step.At}, set{"as", as.as}))
	}
	// The pan was tipped in while a tool was taken away: the last tool laid on the scale.
	onCaddy := slices.ContainsFunc(c.about.message.Sensors, func(s wire.AboutSensor) bool { return s.Name == step.Sensor && s.Role != "supply" })
	for _, o := range slices.Backward(j.Decided) {
		if onCaddy && o.Sensor == step.Sensor && o.With == 0 && o.As == "object" && o.Kg > 0 && step.Kg+o.Kg > 0 {
			g.Buttons = append(g.Buttons, newButton("Fluid in, tool off", "decide",
				set{"step", step.Step}, set{"step_at", step.At}, set{"gone", o.Step}, set{"as", "fluid"}))
			break
		}
	}
	return g
}

// cleared asks whether all tools are off the scale, and what only a person knows about one
// that came or went unseen.
func cleared(ask wire.JobAsk) group {
	g := group{Urgent: !ask.Before, Title: "Tools on " + ask.Sensor}
	say := func(label string, before *bool, hid fillcalc.Unseen) {
		g.Buttons = append(g.Buttons, newButton(label, ask.Do, set{"sensor", ask.Sensor}, set{"before", before}, set{"unseen", string(hid)}))
	}
	yes, no := new(bool), new(bool)
	*yes = true
	in := map[fillcalc.Unseen]string{fillcalc.InDraining: "Draining", fillcalc.InFilling: "Filling", fillcalc.InSwap: "Swap"}
	switch {
	case ask.Before && ask.Unseen == nil:
		g.Title = "Off " + ask.Sensor + " again?"
		say("Yes", yes, "")
	case ask.Before:
		g.Title = "Off " + ask.Sensor + ", unseen in"
		for _, hid := range ask.Unseen {
			say(in[hid], yes, hid)
		}
	case ask.Unseen == nil:
		say("None there", nil, "")
	default:
		g.Title = "None on " + ask.Sensor + "; unseen in"
		for _, hid := range ask.Unseen {
			say(in[hid], nil, hid)
		}
	}
	if ask.Before {
		say("No tool", no, "")
	}
	return g
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
