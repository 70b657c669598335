package points

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"bayfill/bridge/names"
	"bayfill/fillcalc"
)

// Point is one point of the history, as read back.
type Point struct {
	Measurement string
	Sensor      string // empty except in readings
	AtNs        int64  // event time, nanoseconds since 1970 UTC
	Fields      Fields
}

// Fields are a point's values by name. Each is a float64, an int64 or a string; other
// programs may have written a bool or a uint64.
type Fields map[string]any

// Whole reports whether the values of a field are whole numbers. Of all other numbers of the
// contract the values are floats.
func Whole(field string) bool {
	switch field {
	case "seq", "seq_from", "n", "kind", "stability", "faults", "fold", "changes", "passes":
		return true
	}
	return strings.HasSuffix(field, "_ns")
}

// ParseFields reads the field set of a line, as [Published] holds it.
func ParseFields(text string) (Fields, error) {
	d := lineprotocol.NewDecoderWithBytes([]byte("m " + text))
	fields := Fields{}
	if d.Next() {
		if _, err := d.Measurement(); err != nil {
			return nil, fmt.Errorf("fields: %w", err)
		}
		for {
			key, value, err := d.NextField()
			if err != nil {
				return nil, fmt.Errorf("fields: %w", err)
			}
			if key == nil {
				break
			}
			fields[string(key)] = value.Interface()
		}
		if _, err := d.Time(lineprotocol.Nanosecond, time.Time{}); err != nil {
			return nil, fmt.Errorf("fields: %w", err)
		}
	}
	if d.Next() {
		return nil, fmt.Errorf("fields: they must be one line")
	}
	return fields, nil
}

// ParseLine reads one line of the history, as [Line] and [Point.Line] write it. Any tag
// other than shop, cart and sensor is an error.
func ParseLine(line string) (p Point, shop, cart string, err error) {
	d := lineprotocol.NewDecoderWithBytes([]byte(line))
	if !d.Next() {
		return p, "", "", fmt.Errorf("line: it is empty")
	}
	measurement, err := d.Measurement()
	p = Point{Measurement: string(measurement), Fields: Fields{}}
	tags := map[string]*string{"shop": &shop, "cart": &cart, "sensor": &p.Sensor}
	for err == nil {
		var key, value []byte
		if key, value, err = d.NextTag(); key == nil {
			break
		}
		if tag := tags[string(key)]; tag != nil {
			*tag = string(value)
		} else {
			err = fmt.Errorf("tag %q is not one of shop, cart, sensor", key)
		}
	}
	for err == nil {
		var key []byte
		var value lineprotocol.Value
		if key, value, err = d.NextField(); key == nil {
			break
		}
		p.Fields[string(key)] = value.Interface()
	}
	if err == nil {
		var at time.Time
		at, err = d.Time(lineprotocol.Nanosecond, time.Time{})
		p.AtNs = at.UnixNano()
	}
	if err == nil && d.Next() {
		err = fmt.Errorf("it must be one line")
	}
	if err != nil {
		return p, "", "", fmt.Errorf("line: %w", err)
	}
	return p, shop, cart, nil
}

// Of returns an event as a point of the history, with the names behind its tokens.
func Of(e *fillcalc.Event, names names.Names) (Point, error) {
	measurement, fields, err := fieldsOf(e, names)
	if err != nil {
		return Point{}, err
	}
	f, err := ParseFields(fields)
	return Point{Measurement: measurement, Sensor: e.Sensor, AtNs: e.AtNs, Fields: f}, err
}

// Line returns the point as a line of the history, with its fields sorted by name.
func (p *Point) Line(shop, cart string) string {
	var f fields
	for _, key := range slices.Sorted(maps.Keys(p.Fields)) {
		name := keyEscaper.Replace(key)
		switch v := p.Fields[key].(type) {
		case float64:
			f.float(name, v)
		case int64:
			f.int(name, v)
		case string:
			f.text(name, v)
		case bool, uint64: // copied too, so that an audit of the copy finds them as well
			f.foreign(name, v)
		}
	}
	sensor := ""
	if p.Sensor != "" {
		sensor = ",sensor=" + p.Sensor
	}
	return Assemble(p.Measurement, shop, cart, sensor, string(f.b), p.AtNs)
}

// Seq returns the sequence number of the event that a point holds or follows.
func (p *Point) Seq() (uint64, error) {
	n, err := field[int64](p.Fields, "seq")
	if err == nil && n < 1 {
		err = fmt.Errorf("seq: %d is not above zero", n)
	}
	return uint64(n), err
}

// Event returns the event that a point of a reading or an input holds, the reverse of
// [Of]. The error names the field.
func (p *Point) Event() (fillcalc.Event, error) {
	e := fillcalc.Event{AtNs: p.AtNs, Sensor: p.Sensor}
	known, read := []string{"seq", "kg", "c", "kind", "stability", "faults", "n"}, p.Fields.reading
	if p.Measurement == InputMeasurement {
		known, read = append([]string{"seq", "body"}, names.Fields...), p.Fields.input
	}
	for name := range p.Fields {
		if !slices.Contains(known, name) {
			return e, fmt.Errorf("%s: %s has no such field, only %s", name, p.Measurement, strings.Join(known, ", "))
		}
	}
	seq, err := p.Seq()
	if err != nil {
		return e, err
	}
	e.Seq = seq
	return e, read(&e)
}

// input reads the fields of an input into e.
func (f Fields) input(e *fillcalc.Event) error {
	body, err := field[string](f, "body")
	if err != nil {
		return err
	}
	e.Kind, e.Input = fillcalc.KindInput, new(fillcalc.Input)
	if err := json.Unmarshal([]byte(body), e.Input); err != nil {
		return fmt.Errorf("body: %w", err)
	}
	// The chain covers the input, so the text must hold the input and nothing else.
	again, err := json.Marshal(e.Input)
	if err == nil && body != string(again) {
		err = fmt.Errorf("body: it holds more than the input, or the same in other words")
	}
	return err
}

// reading reads the fields of a reading into e.
func (f Fields) reading(e *fillcalc.Event) (err error) {
	small := func(name string, to *uint8) {
		if _, there := f[name]; !there || err != nil {
			return
		}
		var n int64
		if n, err = field[int64](f, name); err == nil && n != int64(uint8(n)) {
			err = fmt.Errorf("%s: %d must be from 0 to 255", name, n)
		}
		*to = uint8(n)
	}
	small("kind", (*uint8)(&e.Kind))
	small("stability", (*uint8)(&e.Stability))
	small("faults", (*uint8)(&e.Faults))
	if err != nil {
		return err
	}
	n, err := field[int64](f, "n")
	if err != nil {
		return err
	}
	e.N = uint64(n)
	for name, kind := range map[string]fillcalc.Kind{"kg": fillcalc.KindWeight, "c": fillcalc.KindTemperature} {
		if _, there := f[name]; !there {
			continue
		}
		if e.Kind != 0 {
			return fmt.Errorf("%s: there is another value or a kind beside it, only one of kg, c, kind is allowed", name)
		}
		e.Kind = kind
		if e.Value, err = field[float64](f, name); err != nil {
			return err
		}
	}
	if e.Kind != fillcalc.KindWeight && e.Kind != fillcalc.KindTemperature {
		return fmt.Errorf("kg: one of kg, c, kind is needed (kind is %d or %d)", fillcalc.KindWeight, fillcalc.KindTemperature)
	}
	return nil
}

func field[T int64 | float64 | string](f Fields, name string) (T, error) {
	value, there := f[name]
	if !there {
		return *new(T), fmt.Errorf("%s: missing", name)
	}
	v, ok := value.(T)
	if !ok {
		return v, fmt.Errorf("%s: %v has type %T, must have %T", name, value, value, v)
	}
	return v, nil
}

// namesOf returns the name fields of an input's point.
func namesOf(n names.Names, in *fillcalc.Input) (f Fields) {
	f = Fields{}
	for _, p := range names.Places(in) {
		if text := n[*p.Token]; text != "" {
			f[p.Field] = text
		}
	}
	return f
}

// LearnNames adds the names in an input's point to n.
func (p *Point) LearnNames(n names.Names, in *fillcalc.Input) {
	for _, place := range names.Places(in) {
		if text, ok := p.Fields[place.Field].(string); ok && *place.Token != "" {
			n[*place.Token] = text
		}
	}
}
