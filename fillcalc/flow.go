package fillcalc

import (
	"math"
	"slices"
	"strings"
)

// PhaseAt records when a phase began.
type PhaseAt struct {
	Phase Phase  `json:"phase"`
	AtNs  int64  `json:"at_ns"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"` // given for a phase that was asked back
	// Engine is what a person said about it when this phase was gone back to.
	Engine Engine `json:"engine,omitempty"`
}

// phaseOrder is the usual order of phases.
var phaseOrder = [...]Phase{Ready, Draining, Service, Filling, Running, Checking, Closed}

func (p Phase) place() int {
	for i, o := range phaseOrder {
		if o == p {
			return i
		}
	}
	return -1
}

// Remarks lists what was omitted, out of order or not as it should be so far. It stays on
// the job's record but forbids nothing.
func (s *State) Remarks() (list []Text) {
	j := &s.Job
	if j.Phase == NoJob {
		return nil
	}
	furthest := 0
	for _, p := range j.Phases {
		furthest = max(furthest, p.Phase.place())
	}
	list = slices.Concat(j.orderRemarks(furthest), j.workRemarks(furthest))
	if furthest > Running.place() && len(j.Gears) == 0 {
		list = append(list, Text{Key: "remark.gears"})
	}
	return append(list, j.meantRemarks()...)
}

// orderRemarks lists phases that were out of order, begun early or left out.
func (j *Job) orderRemarks(furthest int) (list []Text) {
	seen := map[Phase]bool{}
	for i, p := range j.Phases {
		place := p.Phase.place()
		if i > 0 && place > 0 && place < j.Phases[i-1].Phase.place() && !j.beginsPass(p.AtNs) {
			list = append(list, Text{"remark.back", nil, names{"phase": string(p.Phase), "at": timeText(p.AtNs)}})
		}
		if p.Why != "" {
			list = append(list, Text{"remark.early", nil, names{"phase": string(p.Phase), "why": p.Why}})
		}
		seen[p.Phase] = true
	}
	for i, p := range phaseOrder {
		if i > 0 && i < furthest && !seen[p] {
			list = append(list, Text{"remark.skipped", nil, names{"phase": string(p)}})
		}
	}
	return list
}

// workRemarks lists items that are not on record although their phase is over, and those
// that are not as they should be.
func (j *Job) workRemarks(furthest int) (list []Text) {
	var missing []string
	for _, i := range items {
		r := j.recorded(i.Item)
		if r == nil {
			if i.Phase.place() < furthest {
				missing = append(missing, string(i.Item))
			}
			continue
		}
		if t := j.workRemark(r); t.Key != "" {
			list = append(list, t)
		}
	}
	if len(missing) > 0 {
		list = append(list, Text{"remark.missing", nil, names{"item": strings.Join(missing, " ")}})
	}
	return list
}

// workRemark says what is not as it should be about a piece of work; a zero text: nothing.
func (j *Job) workRemark(r *Record) (t Text) {
	switch {
	case r.Result == NotDone:
		return Text{"remark.not_done", nil, names{"item": string(r.Item), "note": r.Note}}
	case r.tooManySeals():
		return Text{"remark.seal", figures{"count": float64(r.Count)}, nil}
	case r.offTorque():
		return Text{"remark.torque", figures{"applied_nm": r.AppliedNM, "specified_nm": r.SpecifiedNM}, nil}
	case r.Item == LevelAfter && r.Window != Open && r.Window != Closing:
		atC := math.NaN()
		if r.TempC != nil {
			atC = *r.TempC
		}
		return Text{"remark.level_at", figures{"at_c": atC, "low_c": j.Spec.LowC, "high_c": j.Spec.HighC}, nil}
	case r.Item == LevelAfter && r.Result != Right:
		return Text{"remark.level", nil, names{"result": string(r.Result)}}
	}
	return t
}

// meantRemarks lists what was asked back and confirmed with a reason.
func (j *Job) meantRemarks() (list []Text) {
	for i := range j.Entries {
		if e := &j.Entries[i]; e.Why != "" {
			list = append(list, Text{"remark.meant", figures{"entered_l": e.L}, names{"what": string(e.What), "why": e.Why}})
		}
	}
	if j.Spec.Why != "" {
		list = append(list, Text{"remark.open_meant", figures{"low_c": j.Spec.LowC, "high_c": j.Spec.HighC}, names{"job": j.Spec.ID, "why": j.Spec.Why}})
	}
	if r := j.recorded(Torque); r != nil && r.Why != "" {
		list = append(list, Text{"remark.torque_meant", figures{"applied_nm": r.AppliedNM}, names{"why": r.Why}})
	}
	if j.Spec.OtherFluid != "" {
		list = append(list, Text{"remark.fluid", nil, names{"fluid": j.Spec.Fresh.Name, "asked": j.Spec.AskedFluid, "why": j.Spec.OtherFluid}})
	}
	return list
}
