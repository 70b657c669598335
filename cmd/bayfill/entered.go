package main

import (
	"errors"
	"fmt"
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
	command *wire.CommandType
	words   []string // the fields that were typed as bare words
	message map[string]any
	amounts map[string]string // as typed, by field
}

// place is where a person types a field: its word or its flag; empty for what is no field of
// the command.
func (e *entries) place(field string) string {
	_, is := e.command.Field(field)
	switch {
	case slices.Contains(e.words, field):
		return strings.ToUpper(field)
	case is && field != "id" && field != "do":
		return "--" + strings.ReplaceAll(field, "_", "-")
	}
	return ""
}

// refused is what is wrong, for a reader. If it is a field's value, or a flag that was left out,
// its flag or word stands before it.
func (e *entries) refused(reader words.Reader, r *wire.Reply) error {
	text, field := r.Refused.For(reader), r.Refused.Names["field"]
	if lacks, _, _ := strings.Cut(r.Error, ": "); field == "" && !r.Insist && e.message[lacks] == nil {
		field = lacks
	}
	if place := e.place(field); place != "" {
		text = place + ": " + text
	}
	return errors.New(printable(text))
}

// named is an error of the cart with the flag or word in place of its field.
func (e *entries) named(text string) string {
	field, rest, cut := strings.Cut(text, ": ")
	if place := e.place(field); cut && place != "" {
		return place + ": " + rest
	}
	return text
}

// set takes a field as a person typed it. The error is a [fillcalc.Refusal].
func (e *entries) set(field, text string) error {
	f := e.command.MustField(field)
	number, bare := units.Bare(text)
	switch f.Kind {
	case wire.KindAmount:
		if !bare {
			if _, err := units.Written(text).In(f.Quantity); err != nil {
				return f.Wrong(text)
			}
		}
		e.amounts[f.Name] = text
	case wire.KindNumber:
		v, err := strconv.ParseFloat(number, 64)
		if err != nil || v-v != 0 {
			return f.Wrong(text)
		}
		e.message[f.Name] = v
	case wire.KindWhole:
		n, err := strconv.Atoi(number)
		if err != nil {
			return f.Wrong(text)
		}
		e.message[f.Name] = n
	default:
		e.message[f.Name] = text
	}
	return nil
}

// bare reports whether an amount has no unit.
func (e *entries) bare() bool {
	for _, text := range e.amounts {
		if _, bare := units.Bare(text); bare {
			return true
		}
	}
	return false
}

// complete puts the amounts into the message: a number without a unit is in those that the
// person reads.
func (e *entries) complete(system units.System) {
	for name, text := range e.amounts {
		number, bare := units.Bare(text)
		quantity := e.command.MustField(name).Quantity
		u := system.EntryUnit(quantity)
		switch {
		case bare && u.Symbol == string(quantity):
			e.message[name], _ = strconv.ParseFloat(number, 64)
		case bare:
			e.message[name] = number + " " + u.Symbol
		default:
			e.message[name] = text
		}
	}
}

// understood says how the cart understood the amounts that were typed.
func (e *entries) understood(r words.Reader, amounts []wire.Understood) (lines []string) {
	for i := range amounts {
		u := &amounts[i]
		label := strings.TrimLeft(e.place(u.Field), "-")
		if what := fmt.Sprint("what.", e.message["what"]); u.Field == "l" && words.Knows(what) {
			label = r.Word(what)
		}
		if u.Field == "do" {
			label = r.Word("term.took_back")
		}
		lines = append(lines, r.Say(fillcalc.Text{Key: "term.understood", Names: names{"field": label, "amount": u.For(r)}}))
	}
	return lines
}
