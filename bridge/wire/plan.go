package wire

import (
	"math"

	"bayfill/fillcalc"
)

// JobPlan is the part of the leaf job that says how much to pour, in litres at the
// reference temperature.
type JobPlan struct {
	// All litres count the whole job. BeforeL is what earlier passes had put in: less it, they
	// are those of the present pass.
	BeforeL     Number `json:"before_l"`
	TargetL     Number `json:"target_l"`
	TargetUL    Number `json:"target_u_l"` // expanded, k = 2
	FirstFillL  Number `json:"first_fill_l"`
	RemainingL  Number `json:"remaining_l"`
	RemainingUL Number `json:"remaining_u_l"` // expanded, k = 2
	// The stop line of pouring now, the first fill or the target, as what is in; how much is
	// still to pour to it, negative when too much is in; and the seconds until then at the
	// present flow. Null while nothing is to be poured, or nothing flows.
	LineL   Number `json:"line_l"`
	ToLineL Number `json:"to_line_l"`
	ToLineS Number `json:"to_line_s"`
	// Whole bottles as labelled; null when their size is unknown.
	Bottles         *int     `json:"bottles"`
	BottlesOpened   *int     `json:"bottles_opened"`
	LastBottleLeftL *float64 `json:"last_bottle_left_l"`
	// TopUpL is what the last dipstick reading asks for; below zero, how much to draw off.
	TopUpL  Number `json:"top_up_l"`
	TopUpUL Number `json:"top_up_u_l"`
	Notes   []Said `json:"notes"`
}

// planOf returns nil while drained or added is unknown: then there is no plan.
func planOf(s *fillcalc.State) *JobPlan {
	p, err := s.Plan()
	if err != nil {
		return nil
	}
	m := &JobPlan{
		BeforeL: Number(p.BeforeL), TargetL: Number(p.BeforeL + p.TargetL), TargetUL: Number(2 * p.TargetUL), FirstFillL: Number(p.BeforeL + p.FirstFillL),
		RemainingL: Number(p.RemainingL), RemainingUL: Number(2 * p.RemainingUL), Notes: []Said{},
	}
	if s.Job.Spec.BottleL > 0 {
		m.Bottles, m.BottlesOpened, m.LastBottleLeftL = &p.BottlesForTarget, &p.BottlesOpened, &p.LastBottleLeftL
	}
	nan := Number(math.NaN())
	m.LineL, m.ToLineL, m.ToLineS = nan, nan, nan
	if l, ok := s.Line(); ok {
		m.LineL, m.ToLineL, m.ToLineS = Number(l.AtL), Number(l.ToL), Number(l.ToS)
	}
	m.TopUpL, m.TopUpUL = nan, nan
	litres, u, ok, _ := s.TopUp()
	if ok {
		m.TopUpL, m.TopUpUL = Number(litres), Number(u)
	}
	if note, cannot := s.DipstickNote(); cannot {
		m.Notes = append(m.Notes, Say(note))
	}
	for _, note := range p.Notes {
		m.Notes = append(m.Notes, Say(note))
	}
	if note, ok := s.UsualNote(); ok {
		m.Notes = append(m.Notes, Say(note))
	}
	return m
}
