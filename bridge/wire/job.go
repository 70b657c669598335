package wire

import (
	"math"

	"bayfill/fillcalc"
)

// Job is the message of the leaf job: the whole job. Litres are at the reference
// temperature unless the field says otherwise.
type Job struct {
	TS          string          `json:"ts"`
	Job         string          `json:"job"`
	Vehicle     string          `json:"vehicle"`
	Phase       string          `json:"phase"`
	OpenedAt    *string         `json:"opened_at"`
	PhaseAt     *string         `json:"phase_at"`
	Why         string          `json:"why,omitempty"`
	UsedFluid   string          `json:"used_fluid"`
	Fluid       string          `json:"fluid"`
	Batch       string          `json:"batch,omitempty"` // of the fluid that goes in
	Window      *JobWindow      `json:"window"`
	ServiceData *JobServiceData `json:"service_data"`
	Usual       *JobUsual       `json:"usual"` // null when the shop has done too few such jobs
	Plan        *JobPlan        `json:"plan"`
	Pass        int             `json:"pass"`             // the present one, from 1
	Passes      []JobPass       `json:"passes,omitempty"` // left out while the capacity is not known
	Flow        JobFlow         `json:"flow"`
	Tail        *JobTail        `json:"tail"`
	Tally       Volumes         `json:"tally"`
	// Fresh fluid that ran out again: at the check opening, or below while it was poured in.
	OverflowL  Number `json:"overflow_l"`
	OverflowUL Number `json:"overflow_u_l"`
	// What people entered, and what makes up the uncertainties.
	Entered        []JobEntry `json:"entered"`
	EnteredLeftOut int        `json:"entered_left_out"` // older ones that do not fit into the message
	Uncertainty    JobBudgets `json:"uncertainty"`
	// AtOther is the same volumes at temperatures at which they lie or will lie.
	AtOther []VolumesAt `json:"at_other_temperatures"`
	// What came or went at once, and what is asked about it. LeftOut counts older ones that
	// do not fit into the message.
	Changes        []JobChange   `json:"changes"`
	ChangesLeftOut int           `json:"changes_left_out"`
	Questions      []JobQuestion `json:"questions"`
	Clears         []JobClear    `json:"clear_weighings"`
	ClearsLeftOut  int           `json:"clear_weighings_left_out"`
	Cautions       []Said        `json:"cautions"`
	Verdict        *JobVerdict   `json:"verdict"`
}

// JobWindow is the check window of the job.
type JobWindow struct {
	LowC  Number `json:"low_c"`
	HighC Number `json:"high_c"`
}

// JobPass is one pass of a service: drained and filled once.
type JobPass struct {
	DrainedL   Number `json:"drained_l"` // weighed, and entered as spilled or left in the pan
	AddedL     Number `json:"added_l"`
	OldLeftPct Number `json:"old_left_pct"` // of the old fluid, in the transmission afterwards
}

// JobUsual is what usually came out in the shop's own closed jobs with the same service
// data, in litres.
type JobUsual struct {
	OutL Number `json:"out_l"`
	UL   Number `json:"u_l"` // about 95 % of such jobs lie within ± this
	Jobs int    `json:"jobs"`
}

// VolumesAt is what was drained and added, in litres at another temperature than the
// reference.
type VolumesAt struct {
	At       string `json:"at"`
	TempC    Number `json:"temp_c"`
	DrainedL Number `json:"drained_l"`
	AddedL   Number `json:"added_l"`
}

// JobOf computes the message from a state.
func JobOf(s *fillcalc.State) Job {
	j := &s.Job
	m := Job{
		TS: Timestamp(s.NowNs), Job: j.Spec.ID, Vehicle: j.Spec.Vehicle, Phase: string(j.Phase), Why: j.Why,
		UsedFluid: j.Spec.Used.Name, Fluid: j.Spec.Fresh.Name, Batch: j.Spec.Batch, Tally: VolumesOf(s), Flow: FlowOf(s),
		AtOther: []VolumesAt{}, Cautions: cautions(j.Phase),
		OverflowL: Number(math.NaN()), OverflowUL: Number(math.NaN()),
		Uncertainty: budgetsOf(s),
	}
	m.Entered, m.EnteredLeftOut = entriesOf(s)
	m.Changes, m.ChangesLeftOut = changesOf(s)
	m.Clears, m.ClearsLeftOut = clearsOf(s)
	m.Questions = questionsOf(s)
	m.Verdict = verdictOf(s)
	if j.Phase == fillcalc.NoJob {
		return m
	}
	opened, phase := Timestamp(j.OpenedNs), Timestamp(j.PhaseNs)
	m.OpenedAt, m.PhaseAt = &opened, &phase
	m.Window = &JobWindow{Number(j.Spec.LowC), Number(j.Spec.HighC)}
	m.ServiceData = serviceDataOf(&j.Spec)
	if u := j.Spec.Usual; u != nil {
		m.Usual = &JobUsual{OutL: Number(u.OutL), UL: Number(u.UL), Jobs: u.Jobs}
	}
	m.Plan, m.Tail, m.Pass = planOf(s), tailOf(s), len(j.PassMarks)+1
	m.Passes, _ = newest(s.Passes(), fillcalc.MaxPasses, math.MaxInt, func(p fillcalc.Pass) JobPass {
		return JobPass{Number(p.OutL), Number(p.AddedL), Number(100 * p.OldLeft)}
	})
	v := s.Volumes()
	m.OverflowL, m.OverflowUL = Number(v.OverflowL), Number(v.OverflowUL)
	m.AtOther = atOtherTemperatures(s, v)
	return m
}

// atOtherTemperatures returns the volumes in the middle of the check window and at the
// temperature of the caddy. It leaves out a temperature that is unknown, or at which
// the density of a fluid is.
func atOtherTemperatures(s *fillcalc.State, v fillcalc.Volumes) []VolumesAt {
	spec := &s.Job.Spec
	list := []VolumesAt{} // null is not an array
	for _, at := range []struct {
		where   string
		celsius float64
	}{{"middle of the check window", (spec.LowC + spec.HighC) / 2}, {"as it lies in the caddy", s.CaddyC()}} {
		if math.IsNaN(at.celsius) {
			continue
		}
		drained, errUsed := s.AsItLiesL(spec.Used, v.DrainedL, at.celsius)
		added, errFresh := s.AsItLiesL(spec.Fresh, v.AddedL, at.celsius)
		if errUsed == nil && errFresh == nil {
			list = append(list, VolumesAt{at.where, Number(at.celsius), Number(drained), Number(added)})
		}
	}
	return list
}
