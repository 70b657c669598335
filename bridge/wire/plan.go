package wire

import (
	"math"

	"bayfill/fillcalc"
)

// JobPlan is the part of the leaf job that says how much to pour, in litres at the
// reference temperature.
type JobPlan struct {
	TargetL     Number `json:"target_l"`
	TargetUL    Number `json:"target_u_l"` // expanded, k = 2
	FirstFillL  Number `json:"first_fill_l"`
	RemainingL  Number `json:"remaining_l"`
	RemainingUL Number `json:"remaining_u_l"` // expanded, k = 2
	// Whole bottles as labelled; null when their size is unknown.
	Bottles         *int     `json:"bottles"`
	BottlesOpened   *int     `json:"bottles_opened"`
	LastBottleLeftL *float64 `json:"last_bottle_left_l"`
	// TopUpL is what the last dipstick reading asks for; below zero, how much to draw off.
	TopUpL  Number     `json:"top_up_l"`
	TopUpUL Number     `json:"top_up_u_l"`
	Notes   []PlanNote `json:"notes"`
}

// PlanNote is a remark for people, on the plan or on the job's record.
type PlanNote struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
}

// planOf returns nil while drained or added is unknown: then there is no plan.
func planOf(s *fillcalc.State) *JobPlan {
	p, err := s.Plan()
	if err != nil {
		return nil
	}
	m := &JobPlan{
		TargetL: Number(p.TargetL), TargetUL: Number(2 * p.TargetUL), FirstFillL: Number(p.FirstFillL),
		RemainingL: Number(p.RemainingL), RemainingUL: Number(2 * p.RemainingUL), Notes: []PlanNote{},
	}
	if s.Job.Spec.BottleL > 0 {
		m.Bottles, m.BottlesOpened, m.LastBottleLeftL = &p.BottlesForTarget, &p.BottlesOpened, &p.LastBottleLeftL
	}
	m.TopUpL, m.TopUpUL = Number(math.NaN()), Number(math.NaN())
	litres, u, ok, err := s.TopUp()
	if ok {
		m.TopUpL, m.TopUpUL = Number(litres), Number(u)
	}
	if err != nil {
		m.Notes = append(m.Notes, PlanNote{"dipstick", "The dipstick reading cannot be used: " + err.Error()})
	}
	for _, note := range p.Notes {
		m.Notes = append(m.Notes, PlanNote{string(note.Kind), note.Text})
	}
	return m
}
