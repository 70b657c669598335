package fillcalc

import (
	"math"
	"slices"
)

// torqueShare is by how much a torque may differ from the specified one: a click wrench may
// be off by 4 to 6 % (ISO 6789-1:2017, from memory), and so may the hand.
const torqueShare = 0.1

// offTorque reports whether a torque is not the specified one.
func (r *Record) offTorque() bool {
	return r.Item == Torque && r.Result == Done && r.SpecifiedNM > 0 && math.Abs(r.AppliedNM-r.SpecifiedNM) > torqueShare*r.SpecifiedNM
}

// WorkItems lists the work that the verdict judges item by item. The level at the end has a
// rule of its own.
func WorkItems() (list []Item) {
	for _, i := range items {
		if i.Item != LevelAfter {
			list = append(list, i.Item)
		}
	}
	return list
}

// tooManySeals reports whether more than one seal of the filter is on record: the old one still
// sits there or two were fitted, and so the filter leaks and the pump draws air (common
// practice, no source).
func (r *Record) tooManySeals() bool { return r.Item == Seal && r.Result == Done && r.Count > 1 }

// judgeWork judges one item of work. It counts when the shop needs it for a pass; a wrong
// torque and a seal too many always do.
func (s *State) judgeWork(c *Criterion, item Item) {
	c.Counts = slices.Contains(s.Job.Spec.Needs, item)
	r := s.Job.recorded(item)
	if r == nil {
		c.say(NotRecorded, "verdict.not_recorded", nil, nil)
		return
	}
	n := names{"result": string(r.Result), "at": timeText(r.AtNs), "by": r.By, "note": r.Note}
	switch {
	case r.Result == NotDone && !c.Counts:
		c.say(NotRecorded, "verdict.work_not_done", nil, n)
	case r.Result == NotDone:
		c.say(Failed, "verdict.work_not_done", nil, n)
	case r.tooManySeals():
		c.Counts = true
		c.say(Failed, "verdict.many_seals", figures{"count": float64(r.Count)}, n)
	case r.offTorque():
		c.Counts = true
		c.say(Failed, "verdict.off_torque", figures{"both_applied_nm": r.AppliedNM, "both_specified_nm": r.SpecifiedNM}, n)
	case item == Torque && r.Result == Done && r.SpecifiedNM > 0:
		c.say(Passed, "verdict.torque", figures{"both_applied_nm": r.AppliedNM, "both_specified_nm": r.SpecifiedNM}, n)
	case item == Torque && r.Result == Done:
		c.say(Passed, "verdict.torque_unspecified", figures{"both_applied_nm": r.AppliedNM}, n)
	default:
		c.say(Passed, "verdict.work_done", nil, n)
	}
}
