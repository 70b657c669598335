package wire

import "bayfill/fillcalc"

// cautions returns what the trade warns of in a phase (common practice, no source).
// The cautions defer to the vehicle maker's service data, local codes and licensed
// practice, and say so.
func cautions(p fillcalc.Phase) []Said {
	keys := map[fillcalc.Phase][]string{
		fillcalc.Ready:     {"caution.chocked", "caution.defers"},
		fillcalc.Draining:  {"caution.hot_fluid", "caution.pan_full", "caution.chocked", "caution.defers"},
		fillcalc.Service:   {"caution.hand_tool", "caution.one_seal", "caution.defers"},
		fillcalc.Filling:   {"caution.only_fluid", "caution.defers"},
		fillcalc.Running:   {"caution.exhaust", "caution.brake", "caution.turning", "caution.defers"},
		fillcalc.Checking:  {"caution.hot_checking", "caution.in_window", "caution.defers"},
		fillcalc.Closed:    {"caution.used_oil"},
		fillcalc.Abandoned: {"caution.used_oil"},
	}[p]
	list := []Said{} // null is not an array
	for _, key := range keys {
		list = append(list, Say(fillcalc.Text{Key: key}))
	}
	return list
}
