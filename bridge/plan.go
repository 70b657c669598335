package bridge

import "bayfill/fillcalc"

// JobPlan is how much to pour, in litres at the reference temperature, in the
// leaf job.
type JobPlan struct {
	TargetL     number `json:"target_l"`
	TargetUL    number `json:"target_u_l"` // expanded, k = 2
	FirstFillL  number `json:"first_fill_l"`
	RemainingL  number `json:"remaining_l"`
	RemainingUL number `json:"remaining_u_l"`
	// Bottles as labelled; null when their size is not known.
	Bottles         *int       `json:"bottles"`
	BottlesOpened   *int       `json:"bottles_opened"`
	LastBottleLeftL *float64   `json:"last_bottle_left_l"`
	Notes           []PlanNote `json:"notes"`
}

// PlanNote is something to hear about the plan.
type PlanNote struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
}

// planMessage is nil while there is no plan: drained or added are not known.
func planMessage(s *fillcalc.State) *JobPlan {
	p, err := s.Plan()
	if err != nil {
		return nil
	}
	m := &JobPlan{
		TargetL: number(p.TargetL), TargetUL: number(2 * p.TargetUL), FirstFillL: number(p.FirstFillL),
		RemainingL: number(p.RemainingL), RemainingUL: number(2 * p.RemainingUL), Notes: []PlanNote{},
	}
	if s.Job.Spec.BottleL > 0 {
		m.Bottles, m.BottlesOpened, m.LastBottleLeftL = &p.BottlesForTarget, &p.BottlesOpened, &p.LastBottleLeftL
	}
	for _, note := range p.Notes {
		m.Notes = append(m.Notes, PlanNote{string(note.Kind), note.Text})
	}
	return m
}
