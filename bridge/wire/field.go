package wire

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/units"
	"bayfill/fillcalc"
)

// CommandType describes one command.
type CommandType struct {
	Do     string
	About  string   // a sentence for people
	Board  bool     // the board's page has a button for it
	Words  []string // the fields that "bayfill job" takes as bare words, in this order
	Fields []Field  // besides the envelope's

	begin func(in *fillcalc.Input) // makes what the setters fill; nil: nothing
}

// Field describes one field of a command.
type Field struct {
	Name     string
	Kind     Kind
	About    string // a sentence for people; names the unit of a figure
	Required bool
	Unless   string   // it is required unless this field is there
	Choices  []string // of a Choice
	Range    *Range   // of a figure
	Shared   bool     // the schemas of other leaves refer to its choices by its name
	Empty    bool     // an empty text says something too

	set func(in *fillcalc.Input, v Value) // nil: the cart looks at it itself
}

// Kind is what a field's value is.
type Kind uint8

const (
	KindText   Kind = iota // at most MaxText bytes
	KindID                 // 1 to 64 of A-Z a-z 0-9 _ -
	KindNumber             // finite
	KindWhole
	KindFlag   // true or false
	KindChoice // one of a closed list
	KindTorque // text: an amount with its unit
	KindMoment // text: RFC 3339
)

// Range is the closed interval that a figure must lie in; Above excludes Min.
type Range struct {
	Min, Max float64
	Above    bool
}

// Value is what a field holds: one of these by its kind, and the text as written
// and the newton metres of a torque.
type Value struct {
	Text   string
	Number float64
	Whole  int
	Flag   bool
	Moment time.Time
}

// MaxText bounds the texts of a command, in bytes.
const MaxText = 200

const (
	maxWhole  = math.MaxInt32
	maxNumber = math.MaxFloat64
)

// Envelope are the fields that every command may have.
var Envelope = []Field{
	{Name: "id", Kind: KindID, Required: true, About: "Never used before on this cart. A command that is sent again unchanged under the same id is answered again and done only once."},
	{Name: "do", Kind: KindText, Required: true, About: "The command."},
	{Name: "not_after", Kind: KindMoment, About: "RFC 3339; a command that arrives later, by the clock of the bridge's computer, is refused."},
	{Name: "by", Kind: KindText, About: "Who sends the command."},
}

// Field finds a field by its name, the envelope's too.
func (c *CommandType) Field(name string) (*Field, bool) {
	for _, list := range [][]Field{Envelope, c.Fields} {
		if i := slices.IndexFunc(list, func(f Field) bool { return f.Name == name }); i >= 0 {
			return &list[i], true
		}
	}
	return nil, false
}

// MustField is Field for a name that this program knows; it panics for another.
func (c *CommandType) MustField(name string) *Field {
	f, known := c.Field(name)
	if !known {
		panic("wire: " + c.Do + " has no field " + name)
	}
	return f
}

// fieldNames lists the envelope and the command's own fields.
func (c *CommandType) fieldNames() (names []string) {
	for _, list := range [][]Field{Envelope, c.Fields} {
		for _, f := range list {
			names = append(names, f.Name)
		}
	}
	return names
}

// CommandNamed finds the description of a command. The error lists those that
// there are.
func CommandNamed(do string) (*CommandType, error) {
	var known []string
	for i := range Commands {
		if Commands[i].Do == do {
			return &Commands[i], nil
		}
		known = append(known, Commands[i].Do)
	}
	return nil, fmt.Errorf("do: %.40q is not one of %s", do, strings.Join(known, ", "))
}

// parse reads the field's JSON value. The error says what would be right, and does
// not name the field.
func (f *Field) parse(raw json.RawMessage) (v Value, err error) {
	wanted, into := "a text", any(&v.Text)
	switch f.Kind {
	case KindNumber:
		wanted, into = "a number", &v.Number
	case KindWhole:
		wanted, into = "a whole number", &v.Whole
	case KindFlag:
		wanted, into = "true or false", &v.Flag
	}
	if json.Unmarshal(raw, into) != nil {
		return v, fmt.Errorf("%.40s is not %s", raw, wanted)
	}
	return v, f.check(&v)
}

// check holds a value against what its kind and the description allow.
func (f *Field) check(v *Value) (err error) {
	if len(v.Text) > MaxText {
		return fmt.Errorf("%d bytes, at most %d", len(v.Text), MaxText)
	}
	switch {
	case f.Kind == KindID && !IDPattern.MatchString(v.Text):
		return errors.New("must be 1 to 64 of A-Z a-z 0-9 _ -")
	case f.Kind == KindChoice && v.Text != "" && !slices.Contains(f.Choices, v.Text):
		return fmt.Errorf("%.40q is not one of %s", v.Text, strings.Join(f.Choices, ", "))
	case f.Kind == KindNumber && f.Range != nil:
		return f.Range.check(v.Number)
	case f.Kind == KindWhole && f.Range != nil:
		return f.Range.check(float64(v.Whole))
	case f.Kind == KindTorque && v.Text != "":
		v.Number, err = units.Written(v.Text).NewtonMetres()
	case f.Kind == KindMoment:
		if v.Moment, err = time.Parse(time.RFC3339, v.Text); err != nil {
			return fmt.Errorf("%.40q is not a time like 2026-01-31T12:00:00Z", v.Text)
		}
	}
	return err
}

func (r *Range) check(v float64) error {
	switch {
	case r.Above && !(v > r.Min):
		return fmt.Errorf("%g is not above %g", v, r.Min)
	case !(v >= r.Min && v <= r.Max):
		return fmt.Errorf("%g is not from %g to %g", v, r.Min, r.Max)
	}
	return nil
}

func text(name, about string, set func(*fillcalc.Input, Value)) Field {
	return Field{Name: name, Kind: KindText, About: about, set: set}
}

func number(name, about string, r Range, set func(*fillcalc.Input, Value)) Field {
	return Field{Name: name, Kind: KindNumber, About: about, Range: &r, set: set}
}

func whole(name, about string, r Range, set func(*fillcalc.Input, Value)) Field {
	return Field{Name: name, Kind: KindWhole, About: about, Range: &r, set: set}
}

func choice(name, about string, choices []string, set func(*fillcalc.Input, Value)) Field {
	return Field{Name: name, Kind: KindChoice, About: about, Choices: choices, set: set}
}

func (f Field) required() Field { f.Required = true; return f }

func (f Field) unless(other string) Field { f.Required, f.Unless = true, other; return f }

func (f Field) shared() Field { f.Shared = true; return f }

func (f Field) orEmpty() Field { f.Empty = true; return f }

func from(low, high float64) Range { return Range{Min: low, Max: high} }

func above(low, high float64) Range { return Range{Min: low, Max: high, Above: true} }

// words are the texts of a closed list.
func words[T ~string](list ...T) (texts []string) {
	for _, w := range list {
		texts = append(texts, string(w))
	}
	return texts
}
