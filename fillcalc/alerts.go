package fillcalc

import (
	"fmt"
	"math"
)

// Alert is something that is wrong with the measurement or the job now. Code and
// Change stay the same for as long as the alert lasts.
type Alert struct {
	Code    AlertCode
	Sensor  string             // the scale it is about; empty: none
	Change  int                // with [AlertChange]
	Text    string             // for people
	Figures map[string]float64 // those in Text; each name ends in its unit
}

// AlertCode is one of a closed list.
type AlertCode string

const (
	AlertBalance AlertCode = "balance" // added and drained differ by more than the job's band
	AlertCaddy   AlertCode = "caddy"   // the caddy is nearly full
	AlertChange  AlertCode = "change"  // a scale moved against the way fluid goes there
	AlertFlow    AlertCode = "flow"    // fluid runs faster than its setup says
	AlertJumps   AlertCode = "jumps"   // a scale sends nothing while its load moves
	AlertMoved   AlertCode = "moved"   // by the checks of many jobs, a scale has moved
	AlertScatter AlertCode = "scatter" // a scale sways more than its setup says
)

// Kind tells the alerts of one cart apart.
func (a *Alert) Kind() string {
	switch {
	case a.Change != 0:
		return fmt.Sprintf("%s:%d", a.Code, a.Change)
	case a.Sensor != "":
		return fmt.Sprintf("%s:%s", a.Code, a.Sensor)
	}
	return string(a.Code)
}

// fullSoonL is the room in the caddy below which there is an alert: half a
// minute of a strong stream.
const fullSoonL = 1.0

// Alerts lists what is wrong now. While no job is open, it says only what the checks by use do.
func (s *State) Alerts() []Alert {
	list := s.usesMoved()
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
	for i := range j.Changes {
		if c := &j.Changes[i]; c.Asks() && c.Cause == Backward {
			list = append(list, Alert{Code: AlertChange, Sensor: c.Sensor, Change: c.ID, Figures: map[string]float64{"change_kg": c.Kg},
				Text: fmt.Sprintf("scale %s moved by %+.3f kg against the way fluid goes there (change %d): say what it was", c.Sensor, c.Kg, c.ID)})
		}
	}
	for i := range s.Scales[:s.ScaleN] {
		list = append(list, s.Scales[i].alerts()...)
	}
	return list
}

// alerts lists what is wrong with a scale's signal or its setup.
func (sc *Scale) alerts() (list []Alert) {
	setup := &sc.Setup
	if seenKg := sc.seenKg(); sc.N >= 100 && seenKg > setup.ResolutionKg && seenKg > 2*setup.RepeatabilityKg {
		list = append(list, Alert{Code: AlertScatter, Sensor: setup.Sensor,
			Figures: map[string]float64{"seen_kg": seenKg, "configured_kg": setup.RepeatabilityKg},
			Text: fmt.Sprintf("scale %s sways by %.0f g, configured are %.0f g: keep off wind and what shakes it, set the cart level, clamp its cables",
				setup.Sensor, 1000*seenKg, 1000*setup.RepeatabilityKg)})
	}
	if sc.FastKgS > setup.MaxFlowKgS {
		limitKgS := math.Ceil(sc.FastKgS*120) / 100
		list = append(list, Alert{Code: AlertFlow, Sensor: setup.Sensor,
			Figures: map[string]float64{"seen_kg_s": sc.FastKgS, "configured_kg_s": setup.MaxFlowKgS, "proposed_kg_s": limitKgS},
			Text: fmt.Sprintf("fluid ran at %.2f kg/s on scale %s, it was shown late: set max_flow_kg_s to %.2f",
				sc.FastKgS, setup.Sensor, limitKgS)})
	}
	if sc.Jumps >= leastJumps && !sc.Moves {
		list = append(list, Alert{Code: AlertJumps, Sensor: setup.Sensor, Figures: map[string]float64{"jumps": float64(sc.Jumps)},
			Text: fmt.Sprintf("scale %s sends nothing while its load moves: set its indicator to send always, or the live figures stand still", setup.Sensor)})
	}
	return list
}

// So many times in a job a scale must have been silent while its load moved.
const leastJumps = 3

// bothRun reports whether fluid drains and is added at the same time.
func (s *State) bothRun() bool {
	const streamKgS = 0.005
	return s.flowKgS(DrainedTally) > streamKgS && s.flowKgS(AddedTally) > streamKgS
}
