package influxql

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"strconv"
	"strings"

	"bayfill/bridge/words"
)

// Row is one point, or one value of a [Function].
type Row struct {
	Measurement string
	Tags        map[string]string // those that it has; the rows of a series share them
	AtNs        int64             // 0 of a [Count]
	Fields      map[string]any    // float64, int64, uint64, string or bool; without those that it has not
}

var errStrange = error(words.NewError("influx.strange"))

// part is one JSON text of an answer.
type part struct {
	Results []struct {
		Series  []*series
		Partial bool // more follows
		Error   string
	}
	Error string
}

// series is rows with the same tags.
type series struct {
	Name    string
	Tags    map[string]string
	Columns []string
	Values  [][]any // string, json.Number, bool or nil
	Partial bool
}

// parts reads an answer to one statement. Version 3 never says that more follows: there only
// the end of the HTTP answer tells the last part.
func parts(answer io.Reader, use func(*series) error) error {
	d := json.NewDecoder(answer)
	d.UseNumber()
	for more := true; ; {
		var p part
		switch err := d.Decode(&p); {
		case err == io.EOF && more:
			return words.NewError("influx.incomplete")
		case err == io.EOF:
			return nil
		case p.Error != "":
			return errors.New(p.Error)
		case err != nil:
			if syntax := new(json.SyntaxError); errors.As(err, &syntax) || errors.As(err, new(*json.UnmarshalTypeError)) {
				return errStrange
			}
			return err
		case len(p.Results) != 1:
			return errStrange
		}
		r := &p.Results[0]
		if r.Error != "" {
			return errors.New(r.Error)
		}
		more = r.Partial
		for _, s := range r.Series {
			if s == nil {
				return errStrange
			}
			more = more || s.Partial
			if err := use(s); err != nil {
				return err
			}
		}
	}
}

// Rows asks a query and calls row with each row of the answer. Where the server refuses to
// read so much at once, the time is halved until it does: then a [Function] gives a row of
// each series for each part of the time.
func (c *Client) Rows(ctx context.Context, q Query, row func(*Row) error) error {
	if len(q.Fields) == 0 || q.FromNs >= q.UntilNs {
		return nil
	}
	answered := false
	err := c.rows(ctx, q, func(r *Row) error {
		answered = true
		return row(r)
	})
	lengthNs := uint64(q.UntilNs) - uint64(q.FromNs)
	if answered || !readsTooMuch(err) || lengthNs < leastNs {
		return err
	}
	early, late := q, q
	early.UntilNs = q.FromNs + int64(lengthNs/2)
	late.FromNs = early.UntilNs
	if err := c.Rows(ctx, early, row); err != nil {
		return err
	}
	return c.Rows(ctx, late, row)
}

// leastNs is the shortest time that is halved. Version 3 Core writes a file for ten minutes.
const leastNs = 20 * 60e9

// readsTooMuch reports whether the server has refused a query because it would read too
// many files: 3 Core allows 432, those of at most three days (influxdata/influxdb, pull
// request 25890; its configuration reference, "query-file-limit").
func readsTooMuch(err error) bool {
	return err != nil && strings.Contains(err.Error(), "exceed file limit")
}

func (c *Client) rows(ctx context.Context, q Query, row func(*Row) error) error {
	columns := q.columns()
	byName := map[string]*column{}
	for i := range columns {
		if q.Of == Count {
			columns[i].as = Integer
		}
		byName[columnName(i)] = &columns[i]
	}
	return c.each(ctx, q.text(), func(s *series) error { return s.rows(byName, row) })
}

// rows calls row with each row of a series.
func (s *series) rows(byName map[string]*column, row func(*Row) error) error {
	tags := map[string]string{}
	for name, text := range s.Tags {
		if text != "" {
			tags[name] = text
		}
	}
	for _, values := range s.Values {
		r := Row{Measurement: s.Name, Tags: tags, Fields: map[string]any{}}
		if err := r.read(s.Columns, values, byName); err != nil {
			return err
		}
		if err := row(&r); err != nil {
			return err
		}
	}
	return nil
}

// read reads the values of a row. A column that is neither the time nor of the query is a
// tag: those that were asked for, and all in version 3, which has no other place for them.
func (r *Row) read(columns []string, values []any, byName map[string]*column) (err error) {
	if len(columns) != len(values) {
		return errStrange
	}
	shared := true // the tags
	for i, name := range columns {
		of := byName[name]
		switch {
		case values[i] == nil:
		case of != nil:
			v, err := of.as.value(values[i])
			if err != nil {
				return fmt.Errorf("field %s of %s: %w", of.field, r.Measurement, err)
			}
			if also, both := r.Fields[of.field]; both {
				v = fitting(also, v)
			}
			r.Fields[of.field] = v
		case name == "time":
			v, err := Integer.value(values[i])
			if err != nil {
				return fmt.Errorf("time of %s: %w", r.Measurement, err)
			}
			r.AtNs = v.(int64)
		default:
			text, isText := values[i].(string)
			if !isText {
				return errStrange
			}
			if shared {
				r.Tags, shared = maps.Clone(r.Tags), false
			}
			r.Tags[name] = text
		}
	}
	return nil
}

// value returns a value of an answer as its type.
func (t Type) value(v any) (any, error) {
	number, isNumber := v.(json.Number)
	text, isText := v.(string)
	is, isBool := v.(bool)
	switch {
	case t == Float && isNumber:
		return strconv.ParseFloat(number.String(), 64)
	case t == Integer && isNumber:
		return strconv.ParseInt(number.String(), 10, 64)
	case t == Unsigned && isNumber:
		return strconv.ParseUint(number.String(), 10, 64)
	case t == String && isText:
		return text, nil
	case t == Boolean && isBool:
		return is, nil
	}
	return nil, fmt.Errorf("%v is no %s", v, t)
}

// fitting returns the value of a field that was read as both types of number: as the one
// that alone holds it, or as own.
func fitting(also, own any) any {
	f, isFloat := also.(float64)
	n, isInt := own.(int64)
	if !isFloat {
		f, isFloat = own.(float64)
		n, isInt = also.(int64)
	}
	switch {
	case !isFloat || !isInt: // the field has types beside these
		return own
	case f != math.Trunc(f) || math.Abs(f) >= 1<<63:
		return f
	case int64(f) != n:
		return n
	}
	return own
}
