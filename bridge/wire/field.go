package wire

import (
	"encoding/json"
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
	case KindChoice:
		return "one of " + strings.Join(f.Choices, ", ")
	case KindMoment:
		return "a time, such as \"2026-01-31T12:00:00Z\""
	case KindID:
		return "a text of 1 to 64 of A-Z a-z 0-9 _ -"
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
		return fmt.Errorf("is too long: it has %d bytes, and at most %d are allowed", len(v.Text), MaxText)
	}
	wrong := func() error { return fmt.Errorf("%.40q is not %s", v.Text, f.Wanted()) }
	switch {
	case f.Kind == KindID && !IDPattern.MatchString(v.Text):
		return wrong()
	case f.Kind == KindChoice && v.Text != "" && !slices.Contains(f.Choices, v.Text):
		return wrong()
	case f.Kind == KindNumber:
		return f.Range.check(v.Number, "", "")
	case f.Kind == KindWhole:
		return f.Range.check(float64(v.Whole), "", "")
	case f.Kind == KindAmount:
		return f.checkAmount(v)
	case f.Kind == KindMoment:
		if v.Moment, err = time.Parse(time.RFC3339, v.Text); err != nil {
			return wrong()
		}
	}
	return nil
}

// checkAmount converts an amount that is a text, and verifies its range.
func (f *Field) checkAmount(v *value) (err error) {
	if v.Text != "" {
		if number, bare := units.Bare(v.Text); bare {
			return f.typed(v, "refuse.amount", fmt.Errorf("%q is a text without a unit: write %q, or the number %s for %s", v.Text, f.Quantity.Example(), number, f.Quantity))
		}
		if v.Number, err = units.Written(v.Text).In(f.Quantity); err != nil {
			return f.typed(v, "refuse.amount", err)
		}
	}
	return f.typed(v, "refuse.range", f.Range.check(v.Number, " "+string(f.Quantity), v.Text))
}

// typed puts what is wrong with an amount that a person typed into words of the catalogues,
// beside the error for a program.
func (f *Field) typed(v *value, key string, err error) error {
	if err == nil || v.Text == "" {
		return err
	}
	return typedError{err, fillcalc.Text{Key: key, Names: map[string]string{"typed": v.Text, "example": f.Quantity.Example()}}}
}

// typedError is an error about what a person typed.
type typedError struct {
	error
	said fillcalc.Text
}

// check verifies that a figure lies in the range. written is how somebody wrote it, in a unit
// of their own.
func (r *Range) check(v float64, unit, written string) error {
	if v >= r.Min && v <= r.Max && !(r.Above && v == r.Min) {
		return nil
	}
	sent := strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64) + unit
	if math.Abs(v) > 1e9 {
		sent = strconv.FormatFloat(v, 'g', 3, 64) + unit
	}
	if written != "" {
		sent = written + ", which is " + sent
	}
	if r.Above {
		return fmt.Errorf("must be above %g and at most %g%s, not %s", r.Min, r.Max, unit, sent)
	}
	return fmt.Errorf("must be from %g to %g%s, not %s", r.Min, r.Max, unit, sent)
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

func moment(name, about string, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindMoment, About: about, set: set}
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
