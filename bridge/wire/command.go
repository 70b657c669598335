package wire

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"bayfill/fillcalc"
)

// Command is a message on the leaf commands. It is checked as far as that is possible
// without knowing the cart.
type Command struct {
	ID, Do, By string
	NotAfter   time.Time // zero: no limit

	typ    *CommandType
	values map[string]value
}

// Text is the value of a text field; empty when the field is absent.
func (c *Command) Text(field string) string { return c.values[field].Text }

// Fill writes the command's values into an input of the fold. Values that the input
// holds already, such as those of the service data, stay where the command has none.
func (c *Command) Fill(in *fillcalc.Input) {
	in.Do, in.ID, in.By = fillcalc.Do(c.Do), c.ID, c.By
	if c.typ.begin != nil {
		c.typ.begin(in)
	}
	for i := range c.typ.Fields {
		f := &c.typ.Fields[i]
		if v, present := c.values[f.Name]; present && f.set != nil {
			f.set(in, v)
		}
	}
}

// IDPattern is what an id must match; an id is part of a topic.
var IDPattern = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// CommandID finds a valid id in a command, whatever else is wrong with it, so that its
// sender can be answered. A signed message has the id of the command in it.
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

// ParseCommand reads a command strictly: an unknown field, a wrong type or a value out
// of range is an error, which names the field and says what would be right.
func ParseCommand(payload []byte) (c Command, err error) {
	fields, err := jsonObject(payload)
	if err != nil {
		return c, err
	}
	if _, ok := fields["signed"]; ok {
		return c, &fillcalc.Refusal{Field: "signed", Text: fillcalc.Text{Key: "refuse.no_command_key"}}
	}
	if err := json.Unmarshal(orNull(fields["id"]), &c.ID); err != nil || !IDPattern.MatchString(c.ID) {
		return c, errors.New("id: is not a text of 1 to 64 of A-Z a-z 0-9 _ -")
	}
	return parseFields(fields)
}

// ParsePress reads a command of the board's page, which has no id yet, and returns its
// fields as they arrived.
func ParsePress(body []byte) (fields map[string]json.RawMessage, err error) {
	if fields, err = jsonObject(body); err != nil {
		return nil, err
	}
	for _, field := range []string{"id", "not_after"} {
		if _, present := fields[field]; present {
			return nil, fmt.Errorf("%s: the page sets it", field)
		}
	}
	c, err := parseFields(fields)
	if err == nil && !c.typ.Board {
		err = fmt.Errorf("do: %s has no button on the page", c.Do)
	}
	return fields, err
}

// parseFields reads all fields of a command by its description.
func parseFields(fields map[string]json.RawMessage) (c Command, err error) {
	_ = json.Unmarshal(orNull(fields["do"]), &c.Do) // else it is empty, and no command
	if c.typ, err = CommandNamed(c.Do); err != nil {
		return c, err
	}
	c.values = map[string]value{}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		raw := fields[name]
		f, known := c.typ.Field(name)
		if !known {
			return c, c.typ.unknown(name)
		}
		if string(raw) == "null" {
			continue
		}
		v, err := f.parse(raw)
		if err != nil {
			return c, err
		}
		// A blank text says nothing: neither a reason nor a name.
		if f.Kind == KindText {
			v.Text = strings.TrimSpace(v.Text)
		}
		if (string(raw) == `""` || f.Kind == KindText && v.Text == "") && !f.Empty {
			continue
		}
		c.values[name] = v
	}
	for _, f := range c.typ.Fields {
		_, present := c.values[f.Name]
		_, instead := c.values[f.Unless]
		if f.Required && !present && !instead {
			return c, f.missing()
		}
	}
	c.ID, c.By, c.NotAfter = c.Text("id"), c.Text("by"), c.values["not_after"].Moment
	return c, nil
}

// missing refuses a command without a field that it needs.
func (f *Field) missing() error {
	key, names := "refuse.missing", map[string]string{"field": f.Name}
	switch {
	case f.Name == "fluid":
		key = "refuse.missing_fluid"
	case f.Name == "low_c", f.Name == "high_c":
		key = "refuse.missing_window"
	case f.Name == "why":
		key = "refuse.missing_why"
	case f.Kind == KindChoice:
		key, names["choices"] = "refuse.missing_choice", strings.Join(f.Choices, ", ")
	}
	return &fillcalc.Refusal{Field: f.Name, Text: fillcalc.Text{Key: key, Names: names}}
}

// Fingerprint identifies a command, so that one that is sent again can be told from
// another one under the same id. White space, the order of the fields and not_after
// make no difference. The payload is a JSON object that [ParseCommand] has accepted.
func Fingerprint(payload []byte) [sha256.Size]byte {
	var fields map[string]json.RawMessage
	_ = json.Unmarshal(payload, &fields)
	delete(fields, "not_after")
	return sha256.Sum256(Encode(fields)) // maps are encoded in the order of their keys
}

// jsonObject reads a payload's fields, of which none may be there twice. The error names the
// byte at which the payload stops being JSON.
func jsonObject(payload []byte) (fields map[string]json.RawMessage, err error) {
	var wrong *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	switch err := json.Unmarshal(payload, &fields); {
	case errors.As(err, &syntax):
		return nil, fmt.Errorf("not JSON at byte %d: a command is written like {\"id\":\"1\",\"do\":\"close\"}", syntax.Offset)
	case errors.As(err, &wrong):
		return nil, fmt.Errorf("a JSON %s: a command is a JSON object", wrong.Value)
	case err != nil || fields == nil:
		return nil, errors.New("a command is a JSON object")
	}
	return fields, namedTwice(payload)
}

// namedTwice refuses a JSON object that has two fields of one name: nobody knows which of the
// two values is meant.
func namedTwice(object []byte) error {
	seen := map[string]bool{}
	for d, depth, isName := json.NewDecoder(bytes.NewReader(object)), 0, false; ; {
		token, err := d.Token()
		if err != nil {
			return nil // its end: it was read before
		}
		name, isText := token.(string)
		switch {
		case token == json.Delim('{') || token == json.Delim('['):
			depth++
			isName = depth == 1
			continue
		case token == json.Delim('}') || token == json.Delim(']'):
			depth--
		case isText && isName && seen[name]:
			return fmt.Errorf("%.40s: is there twice: send it once", name)
		case isText && isName:
			seen[name] = true
		}
		if depth == 1 {
			isName = !isName
		}
	}
}

// orNull returns JSON's null for a field that is absent.
func orNull(raw json.RawMessage) json.RawMessage {
	if raw == nil {
		return json.RawMessage("null")
	}
	return raw
}
