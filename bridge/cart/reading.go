package cart

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
	if r.Value == 0 || r.Faults.Hidden() {
		// No -0, and no value that is none: the journal or the history keep neither, and
		// what is replayed must be what was live.
		r.Value = 0
	}
	return fillcalc.Event{
		AtNs: r.AtNs, Kind: kind, Sensor: sensor, N: r.N, Value: r.Value, Stability: r.Stability, Faults: r.Faults,
	}
}
