package wire

import (
	"math"

	"bayfill/fillcalc"
)

// Volumes is the message of the leaf volumes. Litres are at the reference
// temperature, and uncertainties are expanded (k = 2).
type Volumes struct {
	TS          string `json:"ts"`
	Seq         uint64 `json:"seq"`
	Job         string `json:"job"`
	Phase       string `json:"phase"`
	Quality     string `json:"quality"`
	QualityCode string `json:"quality_code"`         // of fillcalc.QualityCode
	QualityOf   string `json:"quality_of,omitempty"` // the sensor that it is about
	DrainedL    Number `json:"drained_l"`
	DrainedUL   Number `json:"drained_u_l"`
	AddedL      Number `json:"added_l"`
	AddedUL     Number `json:"added_u_l"`
	BalanceL    Number `json:"balance_l"`
	BalanceUL   Number `json:"balance_u_l"`
	UndecidedL  Number `json:"undecided_l"`
	DrainedLMin Number `json:"drained_l_min"`
	AddedLMin   Number `json:"added_l_min"`
	RemainingL  Number `json:"remaining_l"`
	DrainedKg   Number `json:"drained_kg"`
	AddedKg     Number `json:"added_kg"`
	ReferenceC  Number `json:"reference_c"`
	CaddyFreeL  Number `json:"caddy_free_l"`
}

// Idle reports whether no job is open. Then the message comes only when something has
// changed; in a job also as a sign of life.
func (m *Volumes) Idle() bool {
	return m.Phase == "" || m.Phase == string(fillcalc.Closed) || m.Phase == string(fillcalc.Abandoned)
}

// VolumesOf computes the message from a state.
func VolumesOf(s *fillcalc.State) Volumes {
	v := s.Volumes()
	remainingL := math.NaN()
	if s.Job.Phase != fillcalc.NoJob {
		if plan, err := s.Plan(); err == nil {
			remainingL = plan.RemainingL
		}
	}
	referenceC := s.Job.ReferenceC
	if s.Job.Phase == fillcalc.NoJob {
		referenceC = s.Setup.ReferenceC
	}
	return Volumes{
		TS: Timestamp(s.NowNs), Seq: s.Seq, Job: s.Job.Spec.ID, Phase: string(s.Job.Phase), Quality: v.Quality.String(), QualityCode: string(v.Quality.Code), QualityOf: v.Quality.Sensor,
		DrainedL: Number(v.DrainedL), DrainedUL: Number(v.DrainedUL),
		AddedL: Number(v.AddedL), AddedUL: Number(v.AddedUL),
		BalanceL: Number(v.BalanceL), BalanceUL: Number(v.BalanceUL),
		UndecidedL: Number(v.UndecidedL), DrainedLMin: Number(v.DrainedLMin), AddedLMin: Number(v.AddedLMin),
		RemainingL: Number(remainingL), DrainedKg: Number(v.DrainedKg), AddedKg: Number(v.AddedKg),
		ReferenceC: Number(referenceC), CaddyFreeL: Number(v.CaddyFreeL),
	}
}

// SameFill reports whether two messages look the same on a display that shows
// millilitres and millilitres per second.
func (m *Volumes) SameFill(o *Volumes) bool {
	same := func(a, b Number) bool {
		if math.IsNaN(float64(a)) || math.IsNaN(float64(b)) {
			return math.IsNaN(float64(a)) == math.IsNaN(float64(b))
		}
		return math.Round(float64(a)*1e3) == math.Round(float64(b)*1e3)
	}
	return m.Job == o.Job && m.Phase == o.Phase && m.Quality == o.Quality &&
		same(m.DrainedL, o.DrainedL) && same(m.AddedL, o.AddedL) && same(m.UndecidedL, o.UndecidedL) &&
		same(m.RemainingL, o.RemainingL) && same(m.DrainedLMin/60, o.DrainedLMin/60) && same(m.AddedLMin/60, o.AddedLMin/60)
}
