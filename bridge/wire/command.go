package wire

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/typo"
	"bayfill/fillcalc"
)

// Command is a message on the leaf commands, as far as it can be checked without a
// cart.
type Command struct {
	ID, Do, By string
	NotAfter   time.Time // zero: it counts for ever

	about  *CommandType
	values map[string]Value
}

// Text is what a text field says; empty when it is not there.
func (c *Command) Text(field string) string { return c.values[field].Text }

// Fill puts what the command says into an input. What the input holds already stays
// where the command says nothing: so service data come first.
func (c *Command) Fill(in *fillcalc.Input) {
	in.Do, in.ID, in.By = fillcalc.Do(c.Do), c.ID, c.By
	if c.about.begin != nil {
		c.about.begin(in)
	}
	for i := range c.about.Fields {
		f := &c.about.Fields[i]
		if v, there := c.values[f.Name]; there && f.set != nil {
			f.set(in, v)
		}
	}
}

// IDPattern is what an id may be: it is part of a topic.
var IDPattern = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// CommandID finds a usable id in a command, whatever else is wrong with it, so
// that its sender can be answered; in a signed one it is the command's own.
func CommandID(payload []byte) (id string, ok bool) {
	var c struct {
		ID     string `json:"id"`
		Signed string `json:"signed"`
	}
	err := json.Unmarshal(payload, &c)
	if err == nil && c.Signed != "" {
		c.ID = ""
		err = json.Unmarshal([]byte(c.Signed), &c)
	}
	if err != nil || !IDPattern.MatchString(c.ID) {
		return "", false
	}
	return c.ID, true
}

// ParseCommand reads a command strictly. The error names the field and says what
// would be right.
func ParseCommand(payload []byte) (c Command, err error) {
	fields, err := jsonObject(payload)
	if err != nil {
		return c, err
	}
	if _, ok := fields["signed"]; ok {
		return c, errors.New("signed: this cart has no key for it (commands.key), send the command itself")
	}
	if err := json.Unmarshal(orNull(fields["id"]), &c.ID); err != nil || !IDPattern.MatchString(c.ID) {
		return c, errors.New("id: must be a text of 1 to 64 of A-Z a-z 0-9 _ -")
	}
	return parseFields(fields)
}

// ParsePress reads a command that has no id yet, as a button sends it, and returns
// its fields as they came.
func ParsePress(body []byte) (fields map[string]json.RawMessage, err error) {
	if fields, err = jsonObject(body); err != nil {
		return nil, err
	}
	for _, field := range []string{"id", "not_after"} {
		if _, there := fields[field]; there {
			return nil, fmt.Errorf("%s: is given by the page", field)
		}
	}
	c, err := parseFields(fields)
	if err == nil && !c.about.Board {
		err = fmt.Errorf("do: %s has no button on the page", c.Do)
	}
	return fields, err
}

// parseFields reads all fields by the description of the command that they name.
func parseFields(fields map[string]json.RawMessage) (c Command, err error) {
	if err := json.Unmarshal(orNull(fields["do"]), &c.Do); err != nil {
		return c, fmt.Errorf("do: %.40s is not a text", fields["do"])
	}
	if c.about, err = CommandNamed(c.Do); err != nil {
		return c, err
	}
	c.values = map[string]Value{}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		raw := fields[name]
		f, known := c.about.Field(name)
		if !known {
			return c, c.about.unknown(name)
		}
		if string(raw) == "null" {
			continue
		}
		v, err := f.parse(raw)
		if err != nil {
			return c, fmt.Errorf("%s: %w", name, err)
		}
		if string(raw) == `""` && !f.Empty {
			continue
		}
		c.values[name] = v
	}
	for i := range c.about.Fields {
		f := &c.about.Fields[i]
		_, there := c.values[f.Name]
		_, instead := c.values[f.Unless]
		if f.Required && !there && !instead {
			return c, fmt.Errorf("%s: %s needs it", f.Name, c.Do)
		}
	}
	c.ID, c.By, c.NotAfter = c.Text("id"), c.Text("by"), c.values["not_after"].Moment
	return c, nil
}

// unknown says what a field may have been meant for.
func (c *CommandType) unknown(name string) error {
	known := c.fieldNames()
	hint := "it has " + strings.Join(known, ", ")
	if near := typo.Nearest(name, known); near != "" {
		hint = "did you mean " + near + "?"
	}
	return fmt.Errorf("%.40s: not a field of %s: %s", name, c.Do, hint)
}

// Fingerprint tells a command that is sent again from another one under the same
// id: blanks, the order of the fields and how long it may wait do not matter. The
// payload is a JSON object that [ParseCommand] has accepted.
func Fingerprint(payload []byte) [sha256.Size]byte {
	var fields map[string]json.RawMessage
	_ = json.Unmarshal(payload, &fields)
	delete(fields, "not_after")
	return sha256.Sum256(Encode(fields)) // maps are written in the order of their keys
}

// jsonObject reads a payload's fields. The error names the byte where it is no JSON.
func jsonObject(payload []byte) (fields map[string]json.RawMessage, err error) {
	var wrong *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	switch err := json.Unmarshal(payload, &fields); {
	case errors.As(err, &syntax):
		return nil, fmt.Errorf("not JSON at byte %d: %v", syntax.Offset, err)
	case errors.As(err, &wrong):
		return nil, fmt.Errorf("a JSON %s: a command is a JSON object", wrong.Value)
	case err != nil:
		return nil, fmt.Errorf("not a command: %v", err)
	case fields == nil:
		return nil, errors.New("a command is a JSON object")
	}
	return fields, nil
}

func orNull(raw json.RawMessage) json.RawMessage {
	if raw == nil {
		return json.RawMessage("null")
	}
	return raw
}
