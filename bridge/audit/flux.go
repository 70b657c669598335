package audit

import (
	"encoding/json"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// flux is text of a query, or a part of one. Only this file makes it of values, and it
// checks or quotes each of them: constant text becomes flux by itself, any other text
// needs one of these functions.
type flux string

// quote returns a text as a string literal.
func quote(text string) flux {
	return flux(`"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "${", `\${`).Replace(text) + `"`)
}

// is returns the condition that a column holds a text.
func is(column, text string) flux { return "r." + name(column) + " == " + quote(text) }

// isOneOf returns the condition that a column holds one of some texts.
func isOneOf(column string, texts ...string) flux {
	var all flux
	for i, text := range texts {
		if i > 0 {
			all += " or "
		}
		all += is(column, text)
	}
	return "(" + all + ")"
}

// holds returns the condition that a column holds a text somewhere.
func holds(column, text string) flux {
	return "r." + name(column) + " =~ /" + flux(strings.ReplaceAll(regexp.QuoteMeta(text), "/", `\/`)) + "/"
}

// asJSON returns a text as JSON has it.
func asJSON(text string) string {
	b, _ := json.Marshal(text) // a string can always be encoded
	return string(b)
}

// name returns the name of a column as it stands in an expression.
func name(column string) flux {
	if !regexp.MustCompile(`^[a-z_]+$`).MatchString(column) {
		panic("audit: no column has the name " + column) // names are constants
	}
	return flux(column)
}

// list returns a list of column names, without its brackets.
func list(columns ...string) flux {
	var all flux
	for i, c := range columns {
		if i > 0 {
			all += ", "
		}
		all += `"` + name(c) + `"`
	}
	return all
}

// whole returns a whole number.
func whole(n int64) flux { return flux(strconv.FormatInt(n, 10)) }

// always is a range that contains every point.
const always flux = "start: 1970-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z"

// span returns a range of times.
func span(fromNs, toNs int64) flux {
	at := func(ns int64) flux { return flux(time.Unix(0, ns).UTC().Format(time.RFC3339Nano)) }
	return "start: " + at(fromNs) + ", stop: " + at(toNs)
}

// pointsIn returns the beginning of a query: the points of a range that fulfil a
// condition.
func pointsIn(times, condition flux) flux {
	return "|> range(" + times + ")\n	|> filter(fn: (r) => " + condition + ")"
}

// Conditions on the name of a field. A strayField is one that no point of this program has
// and that would stand in the way of a column of the answer: [Store.strays] reads it.
const (
	ownField   flux = "r._field !~ /^(_.*|result|table|shop|cart|sensor)$/"
	strayField flux = "r._field =~ /^(_.*|result|table|shop|cart|sensor)$/"
)

// pivot makes a row of each point, with a column for each field.
const pivot flux = `
	|> drop(columns: ["_start", "_stop"])
	|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")`
