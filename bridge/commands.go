package bridge

import (
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"bayfill/fillcalc"
)

// command is a message on the leaf commands. Pointers tell a field that is
// missing from one that is empty.
type command struct {
	ID       string  `json:"id"`
	Do       string  `json:"do"`
	NotAfter *string `json:"not_after"`
	By       string  `json:"by"`

	notAfter time.Time // what NotAfter says

	Job       string   `json:"job"`
	Vehicle   string   `json:"vehicle"`
	UsedFluid string   `json:"used_fluid"`
	Fluid     string   `json:"fluid"`
	LowC      *float64 `json:"low_c"`
	HighC     *float64 `json:"high_c"`
	FirstFill *float64 `json:"first_fill"`

	Phase string `json:"phase"`
	Step  *int   `json:"step"`
	As    string `json:"as"`
	Why   string `json:"why"`
}

// commandFields lists, for each command, the fields that it needs and those
// that it may have, besides id, do, not_after and by.
var commandFields = map[string]struct{ needs, may []string }{
	"open":      {[]string{"fluid", "low_c", "high_c"}, []string{"job", "vehicle", "used_fluid", "first_fill"}},
	"phase":     {[]string{"phase"}, nil},
	"baseline":  {},
	"decide":    {[]string{"step", "as"}, nil},
	"close":     {},
	"abandon":   {[]string{"why"}, nil},
	"republish": {},
}

var commandOrder = []string{"open", "phase", "baseline", "decide", "close", "abandon", "republish"}

var idPattern = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// longestText bounds the free texts of a command.
const longestText = 200

// commandID finds a usable id in a command, whatever else is wrong with it, so
// that its sender can be answered.
func commandID(payload []byte) (id string, ok bool) {
	var c struct {
		ID string `json:"id"`
	}
	if json.Unmarshal(payload, &c) != nil || !idPattern.MatchString(c.ID) {
		return "", false
	}
	return c.ID, true
}

// parseCommand reads a command strictly. The error names the field and says
// what would be right.
func parseCommand(payload []byte) (command, error) {
	var c command
	var present map[string]json.RawMessage
	if err := json.Unmarshal(payload, &present); err != nil {
		return c, explainJSON(err)
	}
	if present == nil {
		return c, errors.New("a command is a JSON object")
	}
	if err := json.Unmarshal(payload, &c); err != nil {
		return c, explainJSON(err)
	}
	if !idPattern.MatchString(c.ID) {
		return c, errors.New("id: must be 1 to 64 of A-Z a-z 0-9 _ -")
	}
	rules, known := commandFields[c.Do]
	if !known {
		return c, fmt.Errorf("do: %.40q is not one of %s", c.Do, strings.Join(commandOrder, ", "))
	}
	allowed := slices.Concat([]string{"id", "do", "not_after", "by"}, rules.needs, rules.may)
	for field := range present {
		if slices.Contains(allowed, field) {
			continue
		}
		hint := "it has " + strings.Join(allowed, ", ")
		if near := nearest(field, allowed); near != "" {
			hint = "did you mean " + near + "?"
		}
		return c, fmt.Errorf("%.40s: not a field of %s: %s", field, c.Do, hint)
	}
	for _, field := range rules.needs {
		if raw, ok := present[field]; !ok || string(raw) == "null" || string(raw) == `""` {
			return c, fmt.Errorf("%s: %s needs it", field, c.Do)
		}
	}
	for field, text := range map[string]string{"by": c.By, "vehicle": c.Vehicle, "why": c.Why} {
		if len(text) > longestText {
			return c, fmt.Errorf("%s: %d bytes, at most %d", field, len(text), longestText)
		}
	}
	if c.NotAfter != nil {
		var err error
		if c.notAfter, err = time.Parse(time.RFC3339, *c.NotAfter); err != nil {
			return c, fmt.Errorf("not_after: %.40q is not a time like 2026-01-31T12:00:00Z", *c.NotAfter)
		}
	}
	if c.Job != "" && !idPattern.MatchString(c.Job) {
		return c, errors.New("job: must be 1 to 64 of A-Z a-z 0-9 _ -")
	}
	return c, nil
}

func explainJSON(err error) error {
	var wrong *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &wrong) && wrong.Field != "":
		return fmt.Errorf("%s: a JSON %s, want %s", wrong.Field, wrong.Value, wrong.Type)
	case errors.As(err, &wrong):
		return fmt.Errorf("a JSON %s: a command is a JSON object", wrong.Value)
	case errors.As(err, &syntax):
		return fmt.Errorf("not JSON at byte %d: %v", syntax.Offset, err)
	}
	return fmt.Errorf("not a command: %v", err)
}

// input turns a command into what the fold eats. nowNs names a job that was not
// given a name.
func (c *command) input(fluids map[string]fillcalc.Fluid, nowNs int64) (*fillcalc.Input, error) {
	in := &fillcalc.Input{Do: fillcalc.Do(c.Do), ID: c.ID, By: c.By, Why: c.Why,
		Phase: fillcalc.Phase(c.Phase), As: fillcalc.Decision(c.As)}
	if c.Step != nil {
		in.Step = *c.Step
	}
	if c.Do != "open" {
		return in, nil
	}
	spec := &fillcalc.JobSpec{ID: c.Job, Vehicle: c.Vehicle, LowC: *c.LowC, HighC: *c.HighC, FirstFill: 0.8}
	if spec.ID == "" {
		spec.ID = time.Unix(0, nowNs).UTC().Format("20060102-150405")
	}
	if c.FirstFill != nil {
		spec.FirstFill = *c.FirstFill
	}
	used := c.UsedFluid
	if used == "" {
		used = c.Fluid
	}
	for _, f := range []struct {
		field, name string
		into        *fillcalc.Fluid
	}{{"fluid", c.Fluid, &spec.Fresh}, {"used_fluid", used, &spec.Used}} {
		fluid, ok := fluids[f.name]
		if !ok {
			var names []string
			for name := range fluids {
				names = append(names, name)
			}
			slices.Sort(names)
			return nil, fmt.Errorf("%s: %.40q is not configured, known are %s", f.field, f.name, strings.Join(names, ", "))
		}
		*f.into = fluid
	}
	in.Job = spec
	return in, nil
}
