package audit

import (
	"fmt"
	"slices"

	"bayfill/fillcalc"
)

// instrument is a scale, or the probe that the check window follows, with the
// calibration that corrected its values: scale or probe, or neither when it was never
// calibrated.
type instrument struct {
	sensor, role string
	isProbe      bool
	scale        *fillcalc.ScaleCalibration
	probe        *fillcalc.ProbeCalibration
}

func (a *instrument) equal(b *instrument) bool {
	return a.sensor == b.sensor && a.role == b.role && (a.scale == nil) == (b.scale == nil) && (a.probe == nil) == (b.probe == nil) &&
		(a.scale == nil || *a.scale == *b.scale) && (a.probe == nil || *a.probe == *b.probe)
}

// instruments lists the instruments of the job. One that was calibrated again during
// the job is listed once for each calibration.
func (r *Report) instruments() (list []instrument) {
	for i := range r.events {
		in := r.events[i].Input
		if in == nil || in.Setup == nil {
			continue
		}
		var now []instrument
		for _, sc := range in.Setup.Scales {
			now = append(now, instrument{sensor: sc.Sensor, role: string(sc.Load), scale: sc.Calibration})
		}
		if p, role := windowProbe(in.Setup); p.Sensor != "" {
			now = append(now, instrument{sensor: p.Sensor, role: role, isProbe: true, probe: p.Calibration})
		}
		for _, n := range now {
			if !slices.ContainsFunc(list, func(o instrument) bool { return o.equal(&n) }) {
				list = append(list, n)
			}
		}
	}
	return list
}

// windowProbe returns the probe that the check window follows, and whether it is in
// the fluid or in the coolant.
func windowProbe(setup *fillcalc.Setup) (p fillcalc.ProbeSetup, role string) {
	if setup.Probe.Sensor == "" {
		return setup.Coolant, "coolant"
	}
	return setup.Probe, "fluid"
}

// judge says whether the calibration was valid at a time, with the reason as a
// sentence.
func (a *instrument) judge(nowNs int64) (outcome Outcome, reason string) {
	var atNs int64
	var passed, overdue bool
	var invalid error
	switch {
	case a.scale != nil:
		atNs, passed, overdue, invalid = a.scale.AtNs, a.scale.Passed, a.scale.Overdue(nowNs), a.scale.Check()
	case a.probe != nil:
		atNs, passed, overdue, invalid = a.probe.AtNs, a.probe.Passed, a.probe.Overdue(nowNs), a.probe.Check()
	default:
		return NotVerified, fmt.Sprintf("%s (%s): no calibration is on record.", a.sensor, a.role)
	}
	calibrated := fmt.Sprintf("%s (%s): calibrated %s", a.sensor, a.role, day(atNs))
	switch {
	case invalid != nil:
		return NotVerified, fmt.Sprintf("%s, but %v.", calibrated, invalid)
	case atNs > nowNs:
		return Failed, calibrated + ", after the job."
	case !passed:
		return Failed, calibrated + ", and it failed."
	case overdue:
		return Failed, calibrated + ", and the next was overdue."
	}
	return Passed, calibrated + ", passed, not overdue."
}
