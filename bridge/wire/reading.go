package wire

import (
	"strconv"
	"time"

	"bayfill/fillcalc"
)

// Reading is a message on the leaf readings: one decoded frame of a sensor. A frame
// without a value has neither Kg nor C, and its faults say why.
type Reading struct {
	TS        string   `json:"ts"`
	Sensor    string   `json:"sensor"`
	N         uint64   `json:"n"`
	Kg        *float64 `json:"kg,omitempty"`
	C         *float64 `json:"c,omitempty"`
	Stability string   `json:"stability,omitempty"` // of a scale
	Faults    []string `json:"faults"`
}

// AppendReading appends the message for an event that is a reading. It is the message that is
// sent most by far, and a processor that has slept since the last one runs this in a fraction
// of the time of an encoder that first looks what there is to encode.
func AppendReading(b []byte, e *fillcalc.Event) []byte {
	b = append(b, `{"ts":"`...)
	b = time.Unix(0, e.AtNs).UTC().AppendFormat(b, TimeLayout)
	b = append(b, `","sensor":"`...)
	b = append(b, e.Sensor...) // a name of the configuration has nothing to escape
	b = append(b, `","n":`...)
	b = strconv.AppendUint(b, e.N, 10)
	weight := e.Kind == fillcalc.KindWeight
	if !e.Faults.Hidden() {
		if weight {
			b = append(b, `,"kg":`...)
		} else {
			b = append(b, `,"c":`...)
		}
		b = strconv.AppendFloat(b, e.Value, 'f', -1, 64)
	}
	if weight {
		b = append(b, `,"stability":"`...)
		b = append(b, e.Stability.String()...)
		b = append(b, '"')
	}
	b = append(b, `,"faults":[`...)
	for i, name := range e.Faults.Names() {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, '"')
		b = append(b, name...)
		b = append(b, '"')
	}
	return append(b, "]}"...)
}
