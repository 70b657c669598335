package fillcalc

import (
	"fmt"
	"math"
)

// Alert is something that is wrong with the measurement or the job now. Code and
// Step stay the same for as long as the alert lasts.
type Alert struct {
	Code    AlertCode
	Sensor  string             // the scale it is about; empty: none
	Step    int                // with [AlertStep]
	Text    string             // for people
	Figures map[string]float64 // those in Text; each name ends in its unit
}

// AlertCode is one of a closed list.
type AlertCode string

const (
	AlertBalance AlertCode = "balance" // added and drained differ by more than the job's band
	AlertCaddy   AlertCode = "caddy"   // the caddy is nearly full
	AlertStep    AlertCode = "step"    // a scale moved against the way fluid goes there
	AlertScatter AlertCode = "scatter" // a scale sways more than its setup says
)

// Kind tells the alerts of one cart apart.
func (a *Alert) Kind() string {
	switch {
	case a.Step != 0:
		return fmt.Sprintf("%s:%d", a.Code, a.Step)
	case a.Code == AlertScatter:
		return fmt.Sprintf("%s:%s", a.Code, a.Sensor)
	}
	return string(a.Code)
}

// fullSoonL is the room in the caddy below which there is an alert: half a
// minute of a strong stream.
const fullSoonL = 1.0

// Alerts lists what is wrong now. It is empty while no job is open.
func (s *State) Alerts() []Alert {
	var list []Alert
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
		list = append(list, Alert{Code: AlertBalance, Figures: map[string]float64{"balance_l": v.BalanceL, "band_l": band},
			Text: fmt.Sprintf("%.2f L %s was added than drained, the limit is %.2f L: change one of the flows", math.Abs(v.BalanceL), word, band)})
	}
	if v.CaddyFreeL < fullSoonL {
		freeL := max(0, v.CaddyFreeL)
		list = append(list, Alert{Code: AlertCaddy, Figures: map[string]float64{"free_l": freeL},
			Text: fmt.Sprintf("the caddy has room for %.1f L: empty it before it runs over", freeL)})
	}
	for _, step := range j.Steps[j.StepsBefore:] {
		if step.As == "" && step.Cause == Backward {
			list = append(list, Alert{Code: AlertStep, Sensor: step.Sensor, Step: step.ID, Figures: map[string]float64{"change_kg": step.Kg},
				Text: fmt.Sprintf("scale %s moved by %+.3f kg against the way fluid goes there (step %d): say what it was", step.Sensor, step.Kg, step.ID)})
		}
	}
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if seenKg := sc.Scatter.sigmaKg(); seenKg > sc.Setup.ResolutionKg && seenKg > 2*sc.Setup.RepeatabilityKg {
			list = append(list, Alert{Code: AlertScatter, Sensor: sc.Setup.Sensor,
				Figures: map[string]float64{"seen_kg": seenKg, "configured_kg": sc.Setup.RepeatabilityKg},
				Text: fmt.Sprintf("scale %s sways by %.0f g, configured are %.0f g: keep off wind and what shakes it, set the cart level, clamp its cables",
					sc.Setup.Sensor, 1000*seenKg, 1000*sc.Setup.RepeatabilityKg)})
		}
	}
	return list
}

// bothRun reports whether fluid drains and is added at the same time.
func (s *State) bothRun() bool {
	const streamKgS = 0.005
	return s.flowKgS(DrainedTally) > streamKgS && s.flowKgS(AddedTally) > streamKgS
}
