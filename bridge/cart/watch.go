package cart

import (
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
	if !c.clock.FollowsComputer() {
		return
	}
	ahead := c.clock.Ahead().Round(time.Second)
	c.alert(wire.Alert{Code: wire.AlertClock, Said: wire.Say(clockText(ahead))})
	if c.clockSet == nil {
		return
	}
	note, text := fillcalc.Clock{AheadNs: int64(ahead), Unset: !c.clockSet()}, fillcalc.Text{}
	if note.Unset {
		text.Key = "alert.clock_unset"
	}
	c.alert(wire.Alert{Code: wire.AlertClockUnset, Said: wire.Say(text)})
	last := fillcalc.Clock{}
	if c.state.Clock != nil {
		last = *c.state.Clock
	}
	if note.Unset != last.Unset || time.Duration(note.AheadNs-last.AheadNs).Abs() > time.Second {
		c.apply(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(), Input: &fillcalc.Input{Do: fillcalc.DoClock, Clock: &note}})
	}
}

// clockText is the alert's text when the cart's time is ahead of the computer's clock,
// or behind it; zero when the difference is small.
func clockText(ahead time.Duration) fillcalc.Text {
	by := map[string]float64{"differ_s": ahead.Abs().Round(time.Minute).Seconds()}
	switch {
	case ahead > clockOff:
		return fillcalc.Text{Key: "alert.clock_ahead", Figures: by}
	case ahead < -clockOff:
		return fillcalc.Text{Key: "alert.clock_behind", Figures: by}
	}
	return fillcalc.Text{}
}

// calibrations is what the records at the start say of each sensor.
type calibrations struct {
	newest    map[string]*config.Calibration
	trouble   map[string]error // why a sensor's records could not be read
	checkedNs int64            // when their age was last checked
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
		c.alert(wire.Alert{Code: wire.AlertCalibration, Sensor: name, Said: wire.Say(c.calibrationText(name))})
	}
}

// calibrationText says whether and why a sensor must be calibrated; zero when it need not.
func (c *Cart) calibrationText(sensor string) fillcalc.Text {
	t := c.textAbout("", sensor)
	last := c.calibrations.newest[sensor]
	if last != nil {
		t.Names["due_day"] = time.Unix(0, last.DueNs()).UTC().Format(time.RFC3339)
	}
	switch trouble := c.calibrations.trouble[sensor]; {
	case trouble != nil:
		t.Key, t.Names["reason"] = "alert.calibration_unread", trouble.Error()
	case last == nil:
		t.Key = "alert.calibration_never"
	case !last.Passed():
		t.Key = "alert.calibration_failed"
	case c.state.NowNs > last.DueNs():
		t.Key = "alert.calibration_overdue"
	default:
		return fillcalc.Text{}
	}
	return t
}

// watchJob raises the alerts that the fold finds, and ends those that it no longer
// finds.
func (c *Cart) watchJob() {
	const prefix = "job:"
	now := map[string]bool{}
	for _, a := range c.state.Alerts() {
		kind := prefix + a.Kind()
		now[kind] = true
		c.alert(wire.Alert{Kind: kind, Code: wire.AlertCode(a.Code), Sensor: a.Sensor, Said: wire.Say(a.Text)})
	}
	for kind := range c.alerts {
		if strings.HasPrefix(kind, prefix) && !now[kind] {
			c.alert(wire.Alert{Kind: kind})
		}
	}
}
