package cart

import (
	"fmt"
	"strings"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// clockOff is the difference to the computer's clock above which an alert is raised.
const clockOff = time.Minute

// watchClock compares the cart's time with the computer's clock: the cart's time never
// runs back, and the clock may be wrong at the start or be set later.
func (c *Cart) watchClock() {
	if c.clock.Speed() != 1 {
		return
	}
	ahead := c.clock.Ahead().Round(time.Second)
	c.alert(wire.Alert{Code: wire.AlertClock, Text: clockText(ahead), Figures: map[string]wire.Number{"ahead_s": wire.Number(ahead.Seconds())}})
	if c.clockSet == nil {
		return
	}
	note, text := fillcalc.Clock{AheadNs: int64(ahead), Unset: !c.clockSet()}, ""
	if note.Unset {
		text = "this computer's clock has not been set from the network since it was switched on: the times of messages and history may be wrong until it is"
	}
	c.alert(wire.Alert{Code: wire.AlertClockUnset, Text: text})
	last := fillcalc.Clock{}
	if c.state.Clock != nil {
		last = *c.state.Clock
	}
	if note.Unset != last.Unset || time.Duration(note.AheadNs-last.AheadNs).Abs() > time.Second {
		c.apply(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(), Input: &fillcalc.Input{Do: fillcalc.DoClock, Clock: &note}})
	}
}

// clockText is the alert's text when the cart's time is ahead of the computer's clock,
// or behind it; empty when the difference is small.
func clockText(ahead time.Duration) string {
	by := ahead.Abs().Round(time.Minute).String()
	if days := ahead.Abs().Hours() / 24; days > 2 {
		by = fmt.Sprintf("%.0f days", days)
	}
	switch {
	case ahead > clockOff:
		return "this cart's time is " + by + " ahead of the computer's clock: either the clock is slow now, or it was fast when the journal was begun, and a journal's times never run back"
	case ahead < -clockOff:
		return "the computer's clock is " + by + " ahead of this cart's time: it was set while the program ran; start the program again to use the new time"
	}
	return ""
}

// calibrations is what the records at the start say of each sensor.
type calibrations struct {
	newest    map[string]*config.Calibration
	trouble   map[string]string // why a sensor's records could not be read
	checkedNs int64             // when their age was last checked
}

// watchCalibrations raises an alert, once an hour, for each sensor that must be
// calibrated.
func (c *Cart) watchCalibrations() {
	if c.state.NowNs-c.calibrations.checkedNs < int64(time.Hour) {
		return
	}
	c.calibrations.checkedNs = c.state.NowNs
	for i := range c.config.Sensors {
		name := c.config.Sensors[i].Name
		text := c.calibrations.trouble[name]
		if text == "" {
			text = config.CalibrationAlert(c.config.Name, name, c.calibrations.newest[name], c.state.NowNs)
		}
		c.alert(wire.Alert{Code: wire.AlertCalibration, Sensor: name, Text: text})
	}
}

// watchJob raises the alerts that the fold finds, and ends those that it no longer
// finds.
func (c *Cart) watchJob() {
	const prefix = "job:"
	now := map[string]bool{}
	for _, a := range c.state.Alerts() {
		kind := prefix + a.Kind()
		now[kind] = true
		figures := map[string]wire.Number{}
		for name, v := range a.Figures {
			figures[name] = wire.Number(v)
		}
		c.alert(wire.Alert{Kind: kind, Code: wire.AlertCode(a.Code), Sensor: a.Sensor, Text: a.Text, Figures: figures})
	}
	for kind := range c.alerts {
		if strings.HasPrefix(kind, prefix) && !now[kind] {
			c.alert(wire.Alert{Kind: kind})
		}
	}
}
