package fillcalc

import (
	"math"
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
func (s *State) Remarks() []Text {
	j := &s.Job
	var list []Text
	add := func(key string, f figures, n names) { list = append(list, Text{key, f, n}) }
	if j.Phase == NoJob {
		return nil
	}
	furthest := 0
	for i, p := range j.Phases {
		place := p.Phase.place()
		if i > 0 && place > 0 && place < j.Phases[i-1].Phase.place() && !j.beginsPass(p.AtNs) {
			add("remark.back", nil, names{"phase": string(p.Phase), "at": timeText(p.AtNs)})
		}
		if p.Why != "" {
			add("remark.early", nil, names{"phase": string(p.Phase), "why": p.Why})
		}
		furthest = max(furthest, place)
	}
	seen := map[Phase]bool{}
	for _, p := range j.Phases {
		seen[p.Phase] = true
	}
	for i, p := range phaseOrder {
		if i > 0 && i < furthest && !seen[p] {
			add("remark.skipped", nil, names{"phase": string(p)})
		}
	}
	var missing []string
	for _, i := range items {
		r := j.recorded(i.Item)
		switch {
		case r == nil && i.Phase.place() < furthest:
			missing = append(missing, string(i.Item))
		case r == nil:
		case r.Result == NotDone:
			add("remark.not_done", nil, names{"item": string(i.Item), "note": r.Note})
		case i.Item == Seal && r.Result == Done && r.Count > 1:
			add("remark.seal", figures{"count": float64(r.Count)}, nil)
		case i.Item == Torque && r.Result == Done && r.SpecifiedNM > 0 && math.Abs(r.AppliedNM-r.SpecifiedNM) > 0.1*r.SpecifiedNM:
			add("remark.torque", figures{"applied_nm": r.AppliedNM, "specified_nm": r.SpecifiedNM}, nil)
		case i.Item == LevelAfter && r.Window != Open && r.Window != Closing:
			atC := math.NaN()
			if r.TempC != nil {
				atC = *r.TempC
			}
			add("remark.level_at", figures{"at_c": atC, "low_c": j.Spec.LowC, "high_c": j.Spec.HighC}, nil)
		case i.Item == LevelAfter && r.Result != Right:
			add("remark.level", nil, names{"result": string(r.Result)})
		}
	}
	if len(missing) > 0 {
		add("remark.missing", nil, names{"item": strings.Join(missing, " ")})
	}
	if furthest > Running.place() && len(j.Gears) == 0 {
		add("remark.gears", nil, nil)
	}
	for i := range j.Entries {
		if e := &j.Entries[i]; e.Why != "" {
			add("remark.meant", figures{"entered_l": e.L}, names{"what": string(e.What), "why": e.Why})
		}
	}
	if j.Spec.Why != "" {
		add("remark.window_meant", figures{"low_c": j.Spec.LowC, "high_c": j.Spec.HighC}, names{"why": j.Spec.Why})
	}
	if r := j.recorded(Torque); r != nil && r.Why != "" {
		add("remark.torque_meant", figures{"applied_nm": r.AppliedNM}, names{"why": r.Why})
	}
	if j.Spec.OtherFluid != "" {
		add("remark.fluid", nil, names{"fluid": j.Spec.Fresh.Name, "asked": j.Spec.AskedFluid, "why": j.Spec.OtherFluid})
	}
	return list
}
