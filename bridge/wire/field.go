package wire

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayfill/bridge/units"
	"bayfill/fillcalc"
)

// Field describes one field of a command.
type Field struct {
	Name     string
	Kind     Kind
	About    string // a sentence for people; names the unit of a figure
	Required bool
	Unless   string         // a field in whose presence this one is not required
	Choices  []string       // of KindChoice
	Quantity units.Quantity // of KindAmount
	Range    *Range         // of KindAmount, KindNumber and KindWhole
	Shared   bool           // the schemas of other leaves refer to its choices by its name
	Empty    bool           // an empty text has a meaning; otherwise it counts as left out

	set func(in *fillcalc.Input, v value) // nil: the cart reads the field itself
}

// Kind is the type of a field's value.
type Kind uint8

const (
	KindText   Kind = iota // at most MaxText bytes
	KindID                 // 1 to 64 of A-Z a-z 0-9 _ -
	KindNumber             // finite
	KindWhole
	KindChoice // one of a closed list
	KindAmount // a number in the SI unit of the quantity, or a text: an amount with its unit
	KindMoment // text: a time by RFC 3339
)

// Range is the interval that a figure must lie in, from Min to Max; Above excludes Min.
type Range struct {
	Min, Max float64
	Above    bool
}

// value is a field's value: one of these fields, by its kind. An amount has its SI value as
// Number, and the text as written if it was one.
type value struct {
	Text   string
	Number float64
	Whole  int
	Moment time.Time
}

// MaxText bounds the texts of a command, in bytes.
const MaxText = 200

const (
	maxWhole  = math.MaxInt32
	maxNumber = math.MaxFloat64
)

// parse reads the field's JSON value. The error says what would be right; the caller
// adds the field's name.
func (f *Field) parse(raw json.RawMessage) (v value, err error) {
	into := any(&v.Text)
	switch f.Kind {
	case KindNumber:
		into = &v.Number
	case KindWhole:
		into = &v.Whole
	case KindAmount:
		if json.Unmarshal(raw, &v.Number) == nil {
			return v, f.check(&v)
		}
	}
	if json.Unmarshal(raw, into) != nil {
		return v, fmt.Errorf("%.40s is not %s", raw, f.Wanted())
	}
	return v, f.check(&v)
}

// Wanted says what the field's value must be.
func (f *Field) Wanted() string {
	switch f.Kind {
	case KindNumber:
		return "a number, such as 0.5"
	case KindWhole:
		return "a whole number, such as 1"
	case KindAmount:
		return fmt.Sprintf("a number, such as 0.5, or an amount with its unit, such as %q", f.Quantity.Example())
	}
	return "a text"
}

// check verifies that the kind and the description allow a value, and fills in what
// follows from its text.
func (f *Field) check(v *value) (err error) {
	if len(v.Text) > MaxText {
		return fmt.Errorf("%d bytes, at most %d", len(v.Text), MaxText)
	}
	switch {
	case f.Kind == KindID && !IDPattern.MatchString(v.Text):
		return errors.New("must be 1 to 64 of A-Z a-z 0-9 _ -")
	case f.Kind == KindChoice && v.Text != "" && !slices.Contains(f.Choices, v.Text):
		return fmt.Errorf("%.40q is not one of %s", v.Text, strings.Join(f.Choices, ", "))
	case f.Kind == KindNumber:
		return f.Range.check(v.Number, "")
	case f.Kind == KindWhole:
		return f.Range.check(float64(v.Whole), "")
	case f.Kind == KindAmount:
		return f.checkAmount(v)
	case f.Kind == KindMoment:
		if v.Moment, err = time.Parse(time.RFC3339, v.Text); err != nil {
			return fmt.Errorf("%.40q is not a time like 2026-01-31T12:00:00Z", v.Text)
		}
	}
	return err
}

// checkAmount converts an amount that is a text, and verifies its range.
func (f *Field) checkAmount(v *value) (err error) {
	if v.Text != "" {
		if number, bare := units.Bare(v.Text); bare {
			return fmt.Errorf("%q is a text without a unit: write %q, or the number %s for %s", v.Text, f.Quantity.Example(), number, f.Quantity)
		}
		if v.Number, err = units.Written(v.Text).In(f.Quantity); err != nil {
			return err
		}
	}
	return f.Range.check(v.Number, " "+string(f.Quantity))
}

// check verifies that a figure lies in the range.
func (r *Range) check(v float64, unit string) error {
	switch {
	case r.Above && !(v > r.Min):
		return fmt.Errorf("%.6g%s is not above %g%s", v, unit, r.Min, unit)
	case !(v >= r.Min && v <= r.Max):
		return fmt.Errorf("%.6g%s is not from %g to %g%s", v, unit, r.Min, r.Max, unit)
	}
	return nil
}

// written is an amount as it was written, or in its SI unit.
func (v value) written(q units.Quantity) string {
	if v.Text != "" {
		return v.Text
	}
	return strconv.FormatFloat(v.Number, 'g', 6, 64) + " " + string(q)
}

// The following functions write a Field in one line of Commands.

func text(name, about string, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindText, About: about, set: set}
}

func number(name, about string, r Range, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindNumber, About: about, Range: &r, set: set}
}

// amount is a field of a quantity. Its range is in the SI unit.
func amount(name, about string, q units.Quantity, r Range, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindAmount, Quantity: q, About: about, Range: &r, set: set}
}

func whole(name, about string, r Range, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindWhole, About: about, Range: &r, set: set}
}

func choice(name, about string, choices []string, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindChoice, About: about, Choices: choices, set: set}
}

func (f Field) required() Field { f.Required = true; return f }

func (f Field) unless(other string) Field { f.Required, f.Unless = true, other; return f }

func (f Field) shared() Field { f.Shared = true; return f }

func (f Field) orEmpty() Field { f.Empty = true; return f }

func from(low, high float64) Range { return Range{Min: low, Max: high} }

func above(low, high float64) Range { return Range{Min: low, Max: high, Above: true} }

// textsOf converts a closed list to texts.
func textsOf[T ~string](list ...T) (texts []string) {
	for _, w := range list {
		texts = append(texts, string(w))
	}
	return texts
}
