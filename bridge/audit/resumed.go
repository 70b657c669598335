package audit

import (
	"maps"
	"slices"

	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// A journal that was put back from an older copy goes on with higher numbers. The history
// still has the events that the copy lacks. They are not part of the chain that goes on,
// so they are left out, and one finding names them.
// resumed returns what a start event says about an older copy, nil for other events.
func resumed(e *fillcalc.Event) *fillcalc.Resumed {
	if e.Input == nil || e.Input.Do != fillcalc.DoStart {
		return nil
	}
	return e.Input.Resumed
}

// continues reports whether an event follows the event of a number, though not with the
// next number.
func continues(e *fillcalc.Event, last uint64) bool {
	r := resumed(e)
	return r != nil && r.After == last
}

// leaveOut removes the events that an older copy of the journal lacked, and what was
// published after them. The newest copy comes first: it may lack an earlier one.
func (r *Report) leaveOut(published map[uint64][]points.Point) {
	for _, by := range slices.Backward(slices.Clone(r.events)) {
		copied := resumed(&by)
		if copied == nil || !slices.ContainsFunc(r.events, func(e fillcalc.Event) bool { return e.Seq == by.Seq }) {
			continue
		}
		lacked := func(seq uint64) bool { return seq > copied.After && seq < by.Seq }
		before := len(r.events)
		r.events = slices.DeleteFunc(r.events, func(e fillcalc.Event) bool { return lacked(e.Seq) })
		maps.DeleteFunc(published, func(seq uint64, _ []points.Point) bool { return lacked(seq) })
		r.find(OlderCopy, by.Seq, by.AtNs, "finding.older_copy", figures{"number": float64(copied.After), "n": float64(before - len(r.events))}, nil)
	}
}
