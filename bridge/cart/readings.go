package cart

import (
	"math"

	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// rawReadings decides which readings are published on MQTT.
type rawReadings struct {
	which config.Readings
	steps map[string]float64 // of each sensor: a change of one step may be flicker
	last  map[string]fillcalc.Event

	message []byte // the newest one; its memory is used again
}

// probeStepC is the smallest change of a temperature that counts as one.
const probeStepC = 0.05

func newRawReadings(which config.Readings, own *config.Cart) rawReadings {
	r := rawReadings{which: which, steps: map[string]float64{}, last: map[string]fillcalc.Event{}}
	for _, s := range own.Sensors {
		if r.steps[s.Name] = s.ResolutionKg; s.ResolutionKg == 0 {
			r.steps[s.Name] = probeStepC
		}
	}
	return r
}

// due reports whether a reading is to be published.
func (r *rawReadings) due(e *fillcalc.Event) bool {
	if e.Kind == fillcalc.KindInput || r.which == config.NoReadings {
		return false
	}
	if r.which == config.AllReadings {
		return true
	}
	last, known := r.last[e.Sensor]
	if known && last.Faults == e.Faults && last.Stability == e.Stability && math.Abs(e.Value-last.Value) < 1.5*r.steps[e.Sensor] {
		return false
	}
	r.last[e.Sensor] = *e
	return true
}

// publishReading publishes a reading if the configuration says so.
func (c *Cart) publishReading(e *fillcalc.Event) {
	if c.readings.due(e) {
		c.readings.message = wire.AppendReading(c.readings.message[:0], e)
		c.link.sendReading(c.readings.message)
	}
}
