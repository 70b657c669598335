package fillcalc

import (
	"fmt"
	"math"
)

// Alert is something that is wrong with the measurement or the job now. Kind
// stays the same for as long as the alert lasts; the figures in Text may change.
type Alert struct {
	Kind string
	Text string
}

// fullSoonL is the room in the caddy below which there is an alert: half a
// minute of a strong stream.
const fullSoonL = 1.0

// Alerts lists what is wrong now. It is empty while no job is open.
func (s *State) Alerts() []Alert {
	var list []Alert
	add := func(kind, format string, args ...any) {
		list = append(list, Alert{kind, fmt.Sprintf(format, args...)})
	}
	j := &s.Job
	if !j.Phase.Open() {
		return list
	}
	v := s.Volumes()
	if band := j.Spec.BalanceBandL; band > 0 && s.bothRun() && math.Abs(v.BalanceL) > band {
		word := "more"
		if v.BalanceL < 0 {
			word = "less"
		}
		add("balance", "%.2f L %s is in than came out, the band is %.2f L: change one of the streams", math.Abs(v.BalanceL), word, band)
	}
	if v.CaddyFreeL < fullSoonL {
		add("caddy", "the caddy has room for %.1f L: empty it before it runs over", max(0, v.CaddyFreeL))
	}
	for _, step := range j.Steps[j.StepsBefore:] {
		if step.As == "" && step.Cause == Backward {
			add(fmt.Sprintf("step:%d", step.ID), "scale %s moved by %+.3f kg against the way fluid goes there (step %d): say what it was", step.Sensor, step.Kg, step.ID)
		}
	}
	return list
}

// bothRun reports whether fluid drains and is added at the same time.
func (s *State) bothRun() bool {
	const streamKgS = 0.005
	return s.flowKgS(DrainedTally) > streamKgS && s.flowKgS(AddedTally) > streamKgS
}
