package main

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// entries are what a person typed for a command: the message, and the amounts in it, which
// wait for the units in which a bare number is meant.
type entries struct {
	message map[string]any
	amounts map[string]entered // by field
}

// entered is an amount as it was typed; place names the flag or the word.
type entered struct {
	field       *wire.Field
	text, place string
}

// set takes a field as a person typed it. The error names the flag or the word, and says what
// would be right.
func (e *entries) set(f *wire.Field, text, place string) error {
	number, bare := units.Bare(text)
	wrong := func() error { return fmt.Errorf("%s: %.40q is not %s", place, text, f.Wanted()) }
	switch f.Kind {
	case wire.KindAmount:
		if !bare {
			if _, err := units.Written(text).In(f.Quantity); err != nil && !strings.ContainsAny(text, "0123456789") {
				return wrong()
			} else if err != nil {
				return fmt.Errorf("%s: %w", place, err)
			}
		}
		e.amounts[f.Name] = entered{f, text, place}
	case wire.KindNumber:
		v, err := strconv.ParseFloat(number, 64)
		if err != nil || v-v != 0 {
			return wrong()
		}
		e.message[f.Name] = v
	case wire.KindWhole:
		n, err := strconv.Atoi(number)
		if err != nil {
			return wrong()
		}
		e.message[f.Name] = n
	default:
		e.message[f.Name] = text
	}
	return nil
}

// bare reports whether an amount has no unit.
func (e *entries) bare() bool {
	for _, a := range e.amounts {
		if _, bare := units.Bare(a.text); bare {
			return true
		}
	}
	return false
}

// complete puts the amounts into the message: a number without a unit is in those that the
// person reads.
func (e *entries) complete(system units.System) {
	for name, a := range e.amounts {
		number, bare := units.Bare(a.text)
		u := system.EntryUnit(a.field.Quantity)
		switch {
		case bare && u.Symbol == string(a.field.Quantity):
			e.message[name], _ = strconv.ParseFloat(number, 64)
		case bare:
			e.message[name] = number + " " + u.Symbol
		default:
			e.message[name] = a.text
		}
	}
}

// understood says how the cart understood the amounts, in SI units and as they were typed.
func (e *entries) understood(r words.Reader, c *wire.CommandType, amounts map[string]wire.Number) (lines []string) {
	for _, name := range slices.Sorted(maps.Keys(amounts)) {
		f, a := c.MustField(name), e.amounts[name]
		written := a.text
		if _, bare := units.Bare(written); bare {
			written = ""
		}
		label := strings.TrimLeft(a.place, "-")
		if what := fmt.Sprint("what.", e.message["what"]); name == "l" && words.Knows(what) {
			label = r.Word(what)
		}
		lines = append(lines, r.Say(fillcalc.Text{Key: "term.understood", Names: names{"field": label, "amount": r.Units.Both(f.Quantity, float64(amounts[name]), written)}}))
	}
	return lines
}
