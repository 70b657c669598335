package wire

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
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
	About    string // the key of a sentence for people
	Required bool
	Unless   string         // a field in whose presence this one is not required
	Choices  []string       // of KindChoice
	Quantity units.Quantity // of KindAmount
	Range    *fillcalc.Span // of KindAmount, KindNumber and KindWhole
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

// parse reads the field's JSON value. The error says what would be right.
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
		return v, f.Wrong(fmt.Sprintf("%.40s", raw))
	}
	return v, f.check(&v)
}

// notKeys say what a value must be, by its kind.
var notKeys = map[Kind]string{
	KindText: "refuse.not_text", KindID: "refuse.not_id", KindNumber: "refuse.not_number", KindWhole: "refuse.not_whole",
	KindChoice: "refuse.choice", KindAmount: "refuse.amount", KindMoment: "refuse.not_moment",
}

// comma finds a number with a decimal comma.
var comma = regexp.MustCompile(`^[-−]?[0-9]{0,6},[0-9]{1,6}( ?[^0-9,.]{1,10})?$`)

// Wrong refuses a value, as it was written, that is not what the field wants.
func (f *Field) Wrong(typed string) error {
	key, names := notKeys[f.Kind], map[string]string{"field": f.Name, "typed": fmt.Sprintf("%.40s", typed)}
	switch {
	case f.Kind == KindChoice:
		names["choices"] = strings.Join(f.Choices, ", ")
	case f.Range != nil && comma.MatchString(typed):
		key, names["example"] = "refuse.comma", strings.Replace(typed, ",", ".", 1)
	case f.Kind == KindAmount:
		names["example"], names["units"] = f.Quantity.Example(), f.Quantity.Symbols()
	}
	return &fillcalc.Refusal{Field: f.Name, Text: fillcalc.Text{Key: key, Names: names}}
}

// check verifies that the kind and the description allow a value, and fills in what
// follows from its text.
func (f *Field) check(v *value) (err error) {
	if len(v.Text) > MaxText {
		return &fillcalc.Refusal{Field: f.Name, Text: fillcalc.Text{Key: "refuse.too_long",
			Figures: map[string]float64{"bytes": float64(len(v.Text)), "most": MaxText}, Names: map[string]string{"field": f.Name}}}
	}
	switch {
	case f.Kind == KindID && !IDPattern.MatchString(v.Text):
		return f.Wrong(v.Text)
	case f.Kind == KindChoice && v.Text != "" && !slices.Contains(f.Choices, v.Text):
		return f.Wrong(v.Text)
	case f.Kind == KindNumber:
		return f.within(v.Number, numberText(v.Number))
	case f.Kind == KindWhole:
		return f.within(float64(v.Whole), strconv.Itoa(v.Whole))
	case f.Kind == KindAmount:
		return f.checkAmount(v)
	case f.Kind == KindMoment:
		if v.Moment, err = time.Parse(time.RFC3339, v.Text); err != nil {
			return f.Wrong(v.Text)
		}
	}
	return nil
}

// checkAmount converts an amount that is a text, and verifies its range.
func (f *Field) checkAmount(v *value) (err error) {
	if v.Text != "" {
		if _, bare := units.Bare(v.Text); bare {
			return f.Wrong(v.Text)
		}
		if v.Number, err = units.Written(v.Text).In(f.Quantity); err != nil {
			return f.Wrong(v.Text)
		}
	}
	return f.within(v.Number, v.written(f.Quantity))
}

// spanUnits are the units of figures out of range, as at the end of a figure's name.
var spanUnits = map[units.Quantity]string{units.OfVolume: "l", units.OfTemperature: "c", units.OfMass: "kg", units.OfTorque: "nm"}

// within verifies that a figure lies in the field's range. typed is as it was written.
func (f *Field) within(v float64, typed string) error {
	if f.Range.Holds(v) {
		return nil
	}
	return fillcalc.Outside(f.Name, spanUnits[f.Quantity], *f.Range, typed)
}

// written is an amount as it was written, or in its SI unit.
func (v value) written(q units.Quantity) string {
	if v.Text != "" {
		return v.Text
	}
	return numberText(v.Number) + " " + string(q)
}

func numberText(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// The following functions write a Field in one line of Commands.

func text(name, about string, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindText, About: about, set: set}
}

func number(name, about string, r fillcalc.Span, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindNumber, About: about, Range: &r, set: set}
}

// amount is a field of a quantity. Its range is in the SI unit.
func amount(name, about string, q units.Quantity, r fillcalc.Span, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindAmount, Quantity: q, About: about, Range: &r, set: set}
}

func moment(name, about string, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindMoment, About: about, set: set}
}

func whole(name, about string, r fillcalc.Span, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindWhole, About: about, Range: &r, set: set}
}

func choice(name, about string, choices []string, set func(*fillcalc.Input, value)) Field {
	return Field{Name: name, Kind: KindChoice, About: about, Choices: choices, set: set}
}

func (f Field) required() Field { f.Required = true; return f }

func (f Field) unless(other string) Field { f.Required, f.Unless = true, other; return f }

func (f Field) shared() Field { f.Shared = true; return f }

func (f Field) orEmpty() Field { f.Empty = true; return f }

func from(low, high float64) fillcalc.Span { return fillcalc.Span{Low: low, High: high} }

func above(low, high float64) fillcalc.Span {
	return fillcalc.Span{Low: low, High: high, Above: true}
}

// textsOf converts a closed list to texts.
func textsOf[T ~string](list ...T) (texts []string) {
	for _, w := range list {
		texts = append(texts, string(w))
	}
	return texts
}
