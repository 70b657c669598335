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

// Point is one point of the history, as it is read back.
type Point struct {
	Measurement string
	Sensor      string // empty but for readings
	AtNs        int64
	Fields      Fields
}

// Fields are a point's values by name: each is a float64, an int64 or a string. In
// what others have written it may be a bool or a uint64 too.
type Fields map[string]any

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
		return nil, fmt.Errorf("fields: there is more than one line of them")
	}
	return fields, nil
}

// parseLine reads one line of the history, as [Point.Line] writes it.
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
			err = fmt.Errorf("tag %q is none of this program's", key)
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
		err = fmt.Errorf("there is more than one")
	}
	if err != nil {
		return p, "", "", fmt.Errorf("line: %w", err)
	}
	return p, shop, cart, nil
}

// PointOf is an event as a point of the history, with the names behind its tokens.
func Of(e *fillcalc.Event, names names.Names) (Point, error) {
	measurement, fields, err := fieldsOf(e, names)
	if err != nil {
		return Point{}, err
	}
	f, err := ParseFields(fields)
	return Point{Measurement: measurement, Sensor: e.Sensor, AtNs: e.AtNs, Fields: f}, err
}

// Line is the point as a line of the history, its fields in the order of their
// names.
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
		case bool, uint64: // kept, so that an audit of the copy finds them as well
			f.foreign(name, v)
		}
	}
	sensor := ""
	if p.Sensor != "" {
		sensor = ",sensor=" + p.Sensor
	}
	return Assemble(p.Measurement, shop, cart, sensor, string(f.b), p.AtNs)
}

// Seq is the place in the journal of the event that a point holds or follows.
func (p *Point) Seq() (uint64, error) {
	n, err := field[int64](p.Fields, "seq")
	if err == nil && n < 1 {
		err = fmt.Errorf("seq: %d is not above zero", n)
	}
	return uint64(n), err
}

// Event is the event that a reading or an input holds; the reverse of what the
// history was sent. The error names the field.
func (p *Point) Event() (fillcalc.Event, error) {
	e := fillcalc.Event{AtNs: p.AtNs, Sensor: p.Sensor}
	seq, err := p.Seq()
	if err != nil {
		return e, err
	}
	e.Seq = seq
	known := []string{"seq", "kg", "c", "kind", "stability", "faults", "n"}
	if p.Measurement == InputMeasurement {
		known = []string{"seq", "body", ByField, VehicleField}
	}
	for name := range p.Fields {
		if !slices.Contains(known, name) {
			return e, fmt.Errorf("%s: %s has no such field", name, p.Measurement)
		}
	}
	if p.Measurement == InputMeasurement {
		body, err := field[string](p.Fields, "body")
		if err != nil {
			return e, err
		}
		e.Kind, e.Input = fillcalc.KindInput, new(fillcalc.Input)
		d := json.NewDecoder(strings.NewReader(body))
		d.DisallowUnknownFields()
		if err := d.Decode(e.Input); err != nil {
			return e, fmt.Errorf("body: %w", err)
		}
		if d.More() {
			return e, fmt.Errorf("body: there is more after the input")
		}
		return e, nil
	}
	small := func(name string, to *uint8) {
		if _, there := p.Fields[name]; !there || err != nil {
			return
		}
		var n int64
		if n, err = field[int64](p.Fields, name); err == nil && n != int64(uint8(n)) {
			err = fmt.Errorf("%s: %d is out of range", name, n)
		}
		*to = uint8(n)
	}
	small("kind", (*uint8)(&e.Kind))
	small("stability", (*uint8)(&e.Stability))
	small("faults", (*uint8)(&e.Faults))
	if err != nil {
		return e, err
	}
	n, err := field[int64](p.Fields, "n")
	if err != nil {
		return e, err
	}
	e.N = uint64(n)
	for name, kind := range map[string]fillcalc.Kind{"kg": fillcalc.KindWeight, "c": fillcalc.KindTemperature} {
		if _, there := p.Fields[name]; !there {
			continue
		}
		if e.Kind != 0 {
			return e, fmt.Errorf("%s: stands beside another value or a kind", name)
		}
		e.Kind = kind
		if e.Value, err = field[float64](p.Fields, name); err != nil {
			return e, err
		}
	}
	if e.Kind != fillcalc.KindWeight && e.Kind != fillcalc.KindTemperature {
		return e, fmt.Errorf("kg: there is neither kg nor c nor a kind")
	}
	return e, nil
}

func field[T int64 | float64 | string](f Fields, name string) (T, error) {
	value, there := f[name]
	if !there {
		return *new(T), fmt.Errorf("%s: missing", name)
	}
	v, ok := value.(T)
	if !ok {
		return v, fmt.Errorf("%s: %v is a %T, expected a %T", name, value, value, v)
	}
	return v, nil
}

// Names of a history's points: an input's point holds them beside its body, which
// is all that the chain covers.
const (
	ByField      = "by"
	VehicleField = "vehicle"
)

// namesOf is what a point is to hold of the names in an input.
func namesOf(n names.Names, in *fillcalc.Input) (f Fields) {
	f = Fields{}
	if text := n[in.By]; text != "" {
		f[ByField] = text
	}
	if in.Job != nil && n[in.Job.Vehicle] != "" {
		f[VehicleField] = n[in.Job.Vehicle]
	}
	return f
}

// LearnNames takes up the names in an input's point.
func (p *Point) LearnNames(n names.Names, in *fillcalc.Input) {
	if text, ok := p.Fields[ByField].(string); ok && in.By != "" {
		n[in.By] = text
	}
	if text, ok := p.Fields[VehicleField].(string); ok && in.Job != nil {
		n[in.Job.Vehicle] = text
	}
}
