package wire

import (
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
	Stability string   `json:"stability,omitempty"`
	Faults    []string `json:"faults"`
}

// ReadingOf returns the message for an event that is a reading.
func ReadingOf(e fillcalc.Event) Reading {
	m := Reading{TS: Timestamp(e.AtNs), Sensor: e.Sensor, N: e.N, Faults: e.Faults.Names()}
	switch e.Kind {
	case fillcalc.KindWeight:
		m.Stability = e.Stability.String()
		if !e.Faults.Hidden() {
			m.Kg = &e.Value
		}
	case fillcalc.KindTemperature:
		if !e.Faults.Hidden() {
			m.C = &e.Value
		}
	}
	return m
}
