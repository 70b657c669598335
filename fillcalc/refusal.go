package fillcalc

import (
	"math"
	"strconv"
	"strings"
)

// Refusal is the error for an input that a person may have got wrong, or that is possible but,
// as things stand, probably a mistake. It is said to people, so it is a text of the catalogues.
type Refusal struct {
	Field string // of the input
	Text
	// Insist says that the same input is done with a reason (why), which goes on record.
	Insist bool
}

// Error returns the field and the key, for a log.
func (r *Refusal) Error() string { return r.Field + ": " + r.Key }

// refused refuses an input for good, as things stand.
func refused(field, key string, f figures, n names) error {
	return &Refusal{Field: field, Text: Text{key, f, n}}
}

// askBack refuses an input until it is sent again with a reason.
func askBack(field, key string, f figures, n names) error {
	return &Refusal{Field: field, Text: Text{key, f, n}, Insist: true}
}

// tooMany refuses what no job needs more of.
func tooMany(field string) error {
	return refused(field, "refuse.many", figures{"count": maxEntries}, nil)
}

// notOneOf refuses a word that is not in a closed list.
func notOneOf[T ~string](field string, typed T, list ...T) error {
	var choices []string
	for _, word := range list {
		choices = append(choices, string(word))
	}
	return refused(field, "refuse.choice", nil, names{"field": field, "typed": string(typed), "choices": strings.Join(choices, ", ")})
}

// Span is the interval that a figure must lie in, from Low to High; Above excludes Low.
type Span struct {
	Low, High float64
	Above     bool
}

// Holds reports whether a figure lies in the span.
func (s Span) Holds(v float64) bool {
	return v >= s.Low && v <= s.High && !(s.Above && v == s.Low)
}

// outsideKeys are the keys for a figure out of its range, by its unit as at the end of a
// figure's name; for a span that excludes its lower end the second one.
var outsideKeys = map[string][2]string{
	"":   {"refuse.range", "refuse.above"},
	"l":  {"refuse.range_l", "refuse.above_l"},
	"c":  {"refuse.range_c"},
	"kg": {"refuse.range_kg"},
	"nm": {"refuse.range_nm"},
}

// Outside refuses a figure that does not lie in its span. Unit is l, c, kg, nm or empty; typed
// is the figure as somebody wrote it.
func Outside(field, unit string, s Span, typed string) error {
	key, least, most := outsideKeys[unit][0], "least", "most"
	if s.Above {
		key = outsideKeys[unit][1]
	}
	if unit != "" {
		least, most = least+"_"+unit, most+"_"+unit
	}
	return refused(field, key, figures{least: s.Low, most: s.High}, names{"field": field, "typed": typed})
}

// numberText writes a number for the name typed.
func numberText(v float64) string {
	if math.Abs(v) > 1e9 {
		return strconv.FormatFloat(v, 'g', 3, 64)
	}
	return strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64)
}
