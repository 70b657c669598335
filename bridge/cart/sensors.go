package cart

import (
	"context"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// report is what one of the cart's workers has to say: a reading, a sensor's status, the
// service data read again, or an alert.
type report struct {
	event  *fillcalc.Event
	err    error // why the event's frame was faulty
	sensor string
	status *sensors.Status
	alert  *wire.Alert
	// serviceData is by name; not nil: something in the shop has changed.
	serviceData map[string]config.ServiceData
	settled     chan struct{} // closed when the loop gets here
}

// runSensor runs one sensor until ctx ends.
func (c *Cart) runSensor(ctx context.Context, d *sensors.Sensor) {
	d.Run(ctx,
		func(r sensors.Reading, err error) {
			e := eventOf(d.Name, r)
			c.give(ctx, report{event: &e, err: err, sensor: d.Name})
		},
		func(s sensors.Status) { c.give(ctx, report{sensor: d.Name, status: &s}) })
}

// eventOf converts what a sensor sent to what the journal keeps: the only place that
// knows both. The cart sets the sequence number and the final time.
func eventOf(sensor string, r sensors.Reading) fillcalc.Event {
	kind := fillcalc.KindWeight
	if r.Quantity == sensors.Temperature {
		kind = fillcalc.KindTemperature
	}
	if r.Value == 0 || r.Faults.Hidden() {
		// Neither -0 nor the value of a faulty frame: the journal and the history do not
		// keep them, and a replay must equal what was live.
		r.Value = 0
	}
	return fillcalc.Event{
		AtNs: r.AtNs, Kind: kind, Sensor: sensor, N: r.N, Value: r.Value, Stability: r.Stability, Faults: r.Faults,
	}
}

// handle handles one report from the inbox.
func (c *Cart) handle(r report) {
	switch {
	case r.event != nil:
		c.apply(*r.event)
		c.watchFrames(r)
		c.meter.read(r.event, r.err, c.clock.NowNs())
	case r.status != nil:
		c.handleStatus(r.sensor, *r.status)
	case r.settled != nil:
		close(r.settled)
	case r.serviceData != nil:
		c.handleShop(r.serviceData)
	default:
		c.alert(*r.alert)
	}
}

// handleStatus raises or ends the alert about a sensor's condition.
func (c *Cart) handleStatus(sensor string, s sensors.Status) {
	c.log.Info("sensor", "sensor", sensor, "condition", s.Condition, "text", s.Text(sensors.TimeOfDay))
	c.meter.sensor(sensor, s.Condition)
	alert := wire.Alert{Code: wire.AlertSensor, Sensor: sensor}
	if s.Condition != sensors.Good && s.Condition != sensors.Starting {
		alert.Condition, alert.Said = string(s.Condition), wire.Say(c.sensor(sensor).Trouble(c.config.Name, &s))
	}
	c.alert(alert)
}

// framesGoodFor is how long a sensor's frames must be good before the alert about them
// ends: sporadic damage is one alert, not many.
const framesGoodFor = 10 * time.Second

// frameTrouble is the last fault of a sensor's frames.
type frameTrouble struct {
	faults fillcalc.Faults
	atNs   int64
}

// watchFrames raises an alert for a sensor's faulty frames, with the text of the first
// frame of each kind of fault, and ends it when the frames have been good for
// framesGoodFor. Overload and underload are states of the scale: its frames are whole.
func (c *Cart) watchFrames(r report) {
	alert := wire.Alert{Code: wire.AlertFrames, Sensor: r.sensor}
	last, troubled := c.frames[r.sensor]
	if r.err == nil && r.event.Faults&fillcalc.FaultUnit == 0 {
		if troubled && c.state.NowNs-last.atNs >= int64(framesGoodFor) {
			delete(c.frames, r.sensor)
			c.alert(alert)
		}
		return
	}
	c.frames[r.sensor] = frameTrouble{r.event.Faults, c.state.NowNs}
	if troubled && last.faults == r.event.Faults {
		return
	}
	key := "alert.frames_unit"
	switch {
	case r.event.Faults&fillcalc.FaultOverload != 0:
		key = "alert.frames_overload"
	case r.event.Faults&fillcalc.FaultUnderload != 0:
		key = "alert.frames_underload"
	case r.err != nil:
		key = "alert.frames"
	}
	t := c.textAbout(key, r.sensor)
	if key == "alert.frames" {
		t.Names["reason"] = r.err.Error()
	}
	alert.Said = wire.Say(t)
	c.alert(alert)
}
