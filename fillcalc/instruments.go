package fillcalc

import (
	"slices"
	"strings"
)

// Fitted is an instrument that served in a job, a scale or the probe that the check window
// follows, with the calibration that corrected its values: Scale or Probe, or neither when it
// was never calibrated.
type Fitted struct {
	Sensor string
	Role   string // caddy, supply, caddy+supply, fluid or coolant
	Scale  *ScaleCalibration
	Probe  *ProbeCalibration
}

// IsProbe reports whether it is the probe.
func (f *Fitted) IsProbe() bool { return f.Role == "fluid" || f.Role == "coolant" }

func (f *Fitted) equal(o *Fitted) bool {
	return f.Sensor == o.Sensor && f.Role == o.Role && (f.Scale == nil) == (o.Scale == nil) && (f.Probe == nil) == (o.Probe == nil) &&
		(f.Scale == nil || *f.Scale == *o.Scale) && (f.Probe == nil || *f.Probe == *o.Probe)
}

// WindowProbe returns the probe that the check window follows, and whether it is in the fluid
// or in the coolant.
func (s *Setup) WindowProbe() (p ProbeSetup, role string) {
	if s.Probe.Sensor == "" {
		return s.Coolant, "coolant"
	}
	return s.Probe, "fluid"
}

// fit adds the instruments of a setup to those of the job. One that was calibrated again
// during the job is listed once for each calibration.
func (j *Job) fit(setup *Setup) {
	var now []Fitted
	for _, sc := range setup.Scales {
		now = append(now, Fitted{Sensor: sc.Sensor, Role: string(sc.Load), Scale: sc.Calibration})
	}
	if p, role := setup.WindowProbe(); p.Sensor != "" {
		now = append(now, Fitted{Sensor: p.Sensor, Role: role, Probe: p.Calibration})
	}
	list := slices.Clone(j.Fitted)
	for _, n := range now {
		if !slices.ContainsFunc(list, func(o Fitted) bool { return o.equal(&n) }) && len(list) < maxEntries {
			list = append(list, n)
		}
	}
	j.Fitted = list
}

// Judge says whether the calibration was valid at a time.
func (f *Fitted) Judge(nowNs int64) Reason {
	var atNs int64
	var passed, overdue bool
	var invalid error
	n := names{"sensor": f.Sensor, "role": f.Role}
	switch {
	case f.Scale != nil:
		atNs, passed, overdue, invalid = f.Scale.AtNs, f.Scale.Passed, f.Scale.Overdue(nowNs), f.Scale.Check()
	case f.Probe != nil:
		atNs, passed, overdue, invalid = f.Probe.AtNs, f.Probe.Passed, f.Probe.Overdue(nowNs), f.Probe.Check()
	default:
		return Reason{NotVerified, Text{"verdict.not_calibrated", nil, n}}
	}
	n["calibrated_day"] = timeText(atNs)
	switch {
	case invalid != nil:
		n["figure"], _, _ = strings.Cut(invalid.Error(), ":")
		return Reason{NotVerified, Text{"verdict.calibration_invalid", nil, n}}
	case atNs > nowNs:
		return Reason{Failed, Text{"verdict.calibrated_after", nil, n}}
	case !passed:
		return Reason{Failed, Text{"verdict.calibration_failed", nil, n}}
	case overdue: // nothing shows that it has become wrong
		return Reason{NotVerified, Text{"verdict.calibration_overdue", nil, n}}
	}
	return Reason{Passed, Text{"verdict.calibrated", nil, n}}
}
