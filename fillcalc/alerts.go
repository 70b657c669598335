package fillcalc

import (
	"fmt"
	"math"
)

// Alert is something that is wrong with the measurement or the job now. Code and
// Change stay the same for as long as the alert lasts.
type Alert struct {
	Code   AlertCode
	Sensor string // the scale it is about; empty: none
	Change int    // with [AlertChange]
	Text
}

// AlertCode is one of a closed list.
type AlertCode string

const (
	AlertBalance AlertCode = "balance"  // added and drained differ by more than the job's band
	AlertCaddy   AlertCode = "caddy"    // the caddy is nearly full
	AlertChange  AlertCode = "change"   // a scale moved against the way fluid goes there
	AlertFlow    AlertCode = "flow"     // fluid runs faster than its setup says
	AlertJumps   AlertCode = "jumps"    // a scale sends nothing while its load moves
	AlertMoved   AlertCode = "moved"    // by the checks of many jobs, a scale has moved
	AlertScatter AlertCode = "scatter"  // a scale sways more than its setup says
	AlertRunsOut AlertCode = "runs_out" // what is poured in runs out below
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
	if lostL, flowLMin, runs := s.RunsOut(); runs {
		list = append(list, Alert{Code: AlertRunsOut, Text: Text{Key: "alert.runs_out", Figures: figures{"lost_l": lostL, "flow_l_min": flowLMin}}})
	}
	v := s.Volumes()
	if band := j.Spec.BalanceBandL; band > 0 && s.bothRun() && math.Abs(v.BalanceL) > band {
		key := "alert.balance_more"
		if v.BalanceL < 0 {
			key = "alert.balance_less"
		}
		list = append(list, Alert{Code: AlertBalance, Text: Text{Key: key, Figures: figures{"differ_l": math.Abs(v.BalanceL), "band_l": band}}})
	}
	if v.CaddyFreeL < fullSoonL {
		freeL := max(0, v.CaddyFreeL)
		list = append(list, Alert{Code: AlertCaddy, Text: Text{Key: "alert.caddy", Figures: figures{"free_l": freeL}}})
	}
	for i := range j.Changes {
		if c := &j.Changes[i]; c.Asks() && c.Cause == Backward {
			key := "alert.change_came"
			if c.Kg < 0 {
				key = "alert.change_went"
			}
			list = append(list, Alert{Code: AlertChange, Sensor: c.Sensor, Change: c.ID, Text: Text{key,
				figures{"change_kg": math.Abs(c.Kg)}, names{"scale": string(s.scale(c.Sensor).Setup.Load), "at": timeText(c.AtNs)}}})
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
	scale := names{"scale": string(setup.Load)}
	if seenKg := sc.seenKg(); sc.N >= 100 && seenKg > setup.ResolutionKg && seenKg > 2*setup.RepeatabilityKg {
		list = append(list, Alert{Code: AlertScatter, Sensor: setup.Sensor,
			Text: Text{"alert.scatter", figures{"seen_kg": seenKg, "configured_kg": setup.RepeatabilityKg}, scale}})
	}
	if sc.FastKgS > setup.MaxFlowKgS {
		limitKgS := math.Ceil(sc.FastKgS*120) / 100
		list = append(list, Alert{Code: AlertFlow, Sensor: setup.Sensor,
			Text: Text{"alert.flow", figures{"seen_kg_s": sc.FastKgS, "configured_kg_s": setup.MaxFlowKgS, "proposed_kg_s": limitKgS}, scale}})
	}
	if sc.Jumps >= leastJumps && !sc.Moves {
		list = append(list, Alert{Code: AlertJumps, Sensor: setup.Sensor, Text: Text{"alert.jumps", figures{"jumps": float64(sc.Jumps)}, scale}})
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
