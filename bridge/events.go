package bridge

import (
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// eventOf is the one place that knows both what the wire said and what the
// journal keeps. Sequence and final time are given by the cart.
func eventOf(sensor string, r sensors.Reading) fillcalc.Event {
	kind := fillcalc.KindWeight
	if r.Quantity == sensors.Temperature {
		kind = fillcalc.KindTemperature
	}
	if r.Value == 0 {
		r.Value = 0 // no -0: the journal keeps none, and what is replayed must be what was live
	}
	return fillcalc.Event{
		AtNs: r.AtNs, Kind: kind, Sensor: sensor, N: r.N, Value: r.Value, Stability: r.Stability, Faults: r.Faults,
	}
}
