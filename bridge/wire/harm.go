package wire

import "slices"

// harm ranks what may be wrong, the worst first: what ruins a gearbox or floods the floor,
// what is not measured now, what may become wrong, what is to be done some day. What is not
// listed comes last.
var harm = []AlertCode{
	AlertRunsOut, AlertCaddy, AlertBalance,
	AlertSensor, AlertFrozen, AlertFrames, AlertJournal, AlertBroker, AlertChange,
	AlertJumps, AlertFlow, AlertScatter, AlertMoved, AlertSnapshot, AlertJournalGap, AlertJournalJobs,
	AlertClock, AlertClockUnset, AlertHistoryRefused, AlertHistory, AlertJournalFilling, AlertJournalGivenUp,
	AlertCalibration,
}

// ByHarm returns alerts with the worst first.
func ByHarm(alerts []Alert) []Alert {
	rank := func(a Alert) int {
		if at := slices.Index(harm, a.Code); at >= 0 {
			return at
		}
		return len(harm)
	}
	sorted := slices.Clone(alerts)
	slices.SortStableFunc(sorted, func(a, b Alert) int { return rank(a) - rank(b) })
	return sorted
}
