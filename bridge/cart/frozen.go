package cart

import (
	"fmt"
	"math"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

const (
	// A scale that flickered between two figures so often within a minute, and then
	// shows one for so long, has frozen, or what shook it has stopped: nothing else
	// tells a frozen scale from a quiet one.
	flickersLeast  = 10
	flickerMinutes = 1.0
	frozenNs       = 5 * 60e9
)

// stillness is how a scale has shown one load.
type stillness struct {
	shownKg, beforeKg float64
	loadKg            float64 // where the flicker began
	flickers          float64 // returns to the figure before, fading within flickerMinutes
	sinceNs           int64   // it has shown the same
}

// show takes a reading of a scale with this step.
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

// watchFrozen looks whether a scale stands still that did not before, while fluid
// is expected and no engine shakes it.
func (c *Cart) watchFrozen(e fillcalc.Event) {
	if e.Kind != fillcalc.KindWeight || e.Faults.Hidden() {
		return
	}
	for i := range c.state.Scales[:c.state.ScaleN] {
		setup := &c.state.Scales[i].Setup
		if setup.Sensor != e.Sensor {
			continue
		}
		q := &c.still[i]
		q.show(e.Value, setup.ResolutionKg, e.AtNs)
		phase := c.state.Job.Phase
		stoodNs := e.AtNs - q.sinceNs
		frozen := stoodNs >= frozenNs && q.flickers >= flickersLeast &&
			(phase == fillcalc.Draining || phase == fillcalc.Service || phase == fillcalc.Filling)
		alert := wire.Alert{Code: wire.AlertFrozen, Sensor: e.Sensor}
		if frozen {
			alert.Figures = map[string]wire.Number{"shown_kg": wire.Number(e.Value), "for_s": wire.Number(stoodNs / 1e9)}
			alert.Text = fmt.Sprintf("scale %s flickered, and now it has stood at %g kg to the digit for %d min: press on it, and if the figure does not move, switch its indicator off and on",
				e.Sensor, e.Value, stoodNs/60e9)
		}
		c.alert(alert)
	}
}
