package wire

import "bayfill/fillcalc"

// JobTail is the part of the leaf job that says how the drain runs dry. Litres are at
// the reference temperature.
type JobTail struct {
	Drips         bool   `json:"drips"` // the flow has slowed to drips
	FlowLMin      Number `json:"flow_l_min"`
	In5MinL       Number `json:"in_5_min_l"`   // what five more minutes would gain
	In5MinUL      Number `json:"in_5_min_u_l"` // expanded, k = 2
	ToCome30MinL  Number `json:"to_come_30_min_l"`
	ToCome30MinUL Number `json:"to_come_30_min_u_l"`
}

// tailOf returns nil when there is no forecast, and outside draining and service.
func tailOf(s *fillcalc.State) *JobTail {
	f := s.Tail.Forecast(s.NowNs)
	if !f.Known || s.Job.Phase != fillcalc.Draining && s.Job.Phase != fillcalc.Service {
		return nil
	}
	perKg := 1000 * s.Job.UsedFactor / s.Job.UsedKgM3
	return &JobTail{
		Drips: f.Drips, FlowLMin: Number(f.FlowKgS * 60 * perKg),
		In5MinL: Number(f.In5MinKg * perKg), In5MinUL: Number(2 * f.In5MinUKg * perKg),
		ToCome30MinL: Number(f.ToCome30MinKg * perKg), ToCome30MinUL: Number(2 * f.ToCome30MinUKg * perKg),
	}
}
