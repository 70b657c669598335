package influxql

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Query asks for points of one measurement.
type Query struct {
	From            string      // measurement
	Fields          []Field     // a point that has none of them is left out; empty: nothing is asked
	Where           []Condition // all must hold
	FromNs, UntilNs int64       // [FromNs, UntilNs), nanoseconds since 1970 UTC
	Of              Function    // of the fields, series by series
	// InTime lists the tags to read with rows that are in order of time, whichever series
	// they are of. Otherwise one series comes after the other, with all its tags.
	InTime []string
}

// Function makes one value of all those of a series.
type Function string

const (
	Each  Function = ""      // none: each value
	Count Function = "count" // how many there are
	Last  Function = "last"  // the newest, with its time; of one field only
)

// Condition is a condition on a point.
type Condition struct{ text string }

// Is is the condition that a tag holds a text.
func Is(tag, text string) Condition {
	return Condition{name(tag) + "::tag = '" + quoted.Replace(text) + "'"}
}

// Holds is the condition that a field holds a text somewhere.
func Holds(field, text string) Condition {
	return Condition{name(field) + "::string =~ /" + pattern(text) + "/"}
}

// pattern returns a regular expression that matches a text, with no slash and no backslash of
// it: InfluxDB 1.8 takes the end of `\\/` for an escaped slash.
func pattern(text string) string {
	var b strings.Builder
	for _, r := range text {
		if r < 0x80 && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') {
			fmt.Fprintf(&b, `\x%02x`, r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// quoted escapes what would end a quoted text: InfluxQL reference, "Identifiers" and
// "Strings".
var quoted = strings.NewReplacer(`\`, `\\`, `'`, `\'`, `"`, `\"`, "\n", `\n`)

// name returns the name of a measurement, a field or a tag.
func name(text string) string { return `"` + quoted.Replace(text) + `"` }

// The first and the last time that InfluxDB 1.8 and 2 can hold (influxdata/influxdb,
// models/time.go, from memory).
const (
	minNs = math.MinInt64 + 2
	maxNs = math.MaxInt64 - 1
)

// text returns the query as the server reads it. The columns of the answer have names of
// their own: those of fields may be anything.
func (q *Query) text() string {
	var b strings.Builder
	for i, c := range q.columns() {
		call, end := "", ""
		if q.Of != Each {
			call, end = string(q.Of)+"(", ")"
		}
		fmt.Fprintf(&b, ", %s%s::%s%s AS %s", call, name(c.field), c.as, end, columnName(i))
	}
	for _, tag := range q.InTime {
		b.WriteString(", " + name(tag) + "::tag")
	}
	text := "SELECT " + b.String()[2:] + " FROM " + name(q.From)
	where := []string{
		"time >= " + strconv.FormatInt(max(q.FromNs, minNs), 10),
		"time < " + strconv.FormatInt(min(q.UntilNs, maxNs), 10),
	}
	for _, c := range q.Where {
		where = append(where, c.text)
	}
	text += " WHERE " + strings.Join(where, " AND ")
	if q.InTime == nil {
		text += " GROUP BY *"
	}
	return text
}

// column is one column of the answer.
type column struct {
	field string
	as    Type
}

// columns returns two columns for a field with both kinds of number.
func (q *Query) columns() (list []column) {
	for _, f := range q.Fields {
		if f.Also != "" && q.Of == Each {
			list = append(list, column{f.Name, f.Also})
		}
		list = append(list, column{f.Name, f.Type})
	}
	return list
}

func columnName(i int) string { return "f" + strconv.Itoa(i) }
