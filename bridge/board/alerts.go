package board

import (
	"slices"

	"bayfill/bridge/wire"
)

// harm ranks what may be wrong, the worst first: what ruins a gearbox or floods the floor,
// what is not measured now, what may become wrong, what is to be done some day. What is not
// listed comes last.
var harm = []wire.AlertCode{
	wire.AlertRunsOut, wire.AlertCaddy, wire.AlertBalance,
	wire.AlertSensor, wire.AlertFrozen, wire.AlertFrames, wire.AlertJournal, wire.AlertBroker, wire.AlertChange,
	wire.AlertJumps, wire.AlertFlow, wire.AlertScatter, wire.AlertMoved, wire.AlertSnapshot, wire.AlertJournalGap, wire.AlertJournalJobs,
	wire.AlertClock, wire.AlertClockUnset, wire.AlertHistoryRefused, wire.AlertHistory, wire.AlertJournalFilling, wire.AlertJournalGivenUp,
	wire.AlertStockLow, wire.AlertWasteFull, wire.AlertCalibration,
}

// alerts lists what is wrong now, the worst first. The instruments that are due for calibration
// share a line; due has one for each.
func (s *screen) alerts(c *cart) (texts, due []string) {
	list := slices.Clone(c.alerts.message.Alerts)
	rank := func(a wire.Alert) int {
		if at := slices.Index(harm, a.Code); at >= 0 {
			return at
		}
		return len(harm)
	}
	slices.SortStableFunc(list, func(a, b wire.Alert) int { return rank(a) - rank(b) })
	for _, a := range list {
		if a.Code == wire.AlertCalibration {
			due = append(due, a.For(s.R))
			continue
		}
		texts = append(texts, a.For(s.R))
	}
	if len(due) > 0 {
		texts = append(texts, s.text("bay.calibrations_due", map[string]float64{"count": float64(len(due))}, nil))
	}
	return texts, due
}
