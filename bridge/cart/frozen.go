package cart

import (
	"math"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

const (
	// A scale that flickered between two figures at least minFlickers times within
	// flickerMinutes, and then shows one figure for frozenNs, has frozen, or whatever
	// shook it has stopped. Nothing else distinguishes a frozen scale from a quiet one.
	minFlickers    = 10
	flickerMinutes = 1.0
	frozenNs       = 5 * 60e9
)

// stillness is how a scale has shown the present load.
type stillness struct {
	shownKg, beforeKg float64
	loadKg            float64 // the figure at which the flicker began
	flickers          float64 // returns to the figure before, decaying within flickerMinutes
	sinceNs           int64   // since when it has shown the same figure
}

// show notes a reading of a scale whose resolution is stepKg.
func (q *stillness) show(kg, stepKg float64, atNs int64) {
	if kg == q.shownKg && q.sinceNs != 0 {
		return
	}
	minutes := float64(atNs-q.sinceNs) / 60e9
	switch {
	case q.sinceNs == 0, math.Abs(kg-q.loadKg) > 2.5*stepKg:
		q.loadKg, q.flickers = kg, 0
	case kg == q.beforeKg:
		q.flickers = q.flickers*math.Exp(-minutes/flickerMinutes) + 1
	}
	q.beforeKg, q.shownKg, q.sinceNs = q.shownKg, kg, atNs
}

// watchFrozen raises an alert for a scale that stands still after it flickered, while
// fluid is expected and no engine shakes it.
func (c *Cart) watchFrozen(e fillcalc.Event) {
	if e.Kind != fillcalc.KindWeight || e.Faults.Hidden() {
		return
	}
	for i := range c.state.Scales[:c.state.ScaleN] {
		setup := &c.state.Scales[i].Setup
		if setup.Sensor != e.Sensor {
			continue
		}
		q := &c.stillness[i]
		q.show(e.Value, setup.ResolutionKg, e.AtNs)
		phase := c.state.Job.Phase
		stoodNs := e.AtNs - q.sinceNs
		frozen := stoodNs >= frozenNs && q.flickers >= minFlickers &&
			(phase == fillcalc.Draining || phase == fillcalc.Service || phase == fillcalc.Filling)
		alert := wire.Alert{Code: wire.AlertFrozen, Sensor: e.Sensor}
		if frozen {
			alert.Said = wire.Say(fillcalc.Text{Key: "alert.frozen", Figures: map[string]float64{"shown_kg": e.Value, "for_s": float64(stoodNs) / 1e9},
				Names: map[string]string{"scale": string(setup.Load)}})
		}
		c.alert(alert)
	}
}
