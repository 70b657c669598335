package wire

import (
	"math"
	"slices"

	"bayfill/fillcalc"
)

// JobPlan is how much to pour, in litres at the reference temperature, in the
// leaf job.
type JobPlan struct {
	TargetL     Number `json:"target_l"`
	TargetUL    Number `json:"target_u_l"` // expanded, k = 2
	FirstFillL  Number `json:"first_fill_l"`
	RemainingL  Number `json:"remaining_l"`
	RemainingUL Number `json:"remaining_u_l"`
	// Bottles as labelled; null when their size is not known.
	Bottles         *int     `json:"bottles"`
	BottlesOpened   *int     `json:"bottles_opened"`
	LastBottleLeftL *float64 `json:"last_bottle_left_l"`
	// What the last dipstick reading asks for; below zero is to be drawn off.
	TopUpL  Number     `json:"top_up_l"`
	TopUpUL Number     `json:"top_up_u_l"`
	Notes   []PlanNote `json:"notes"`
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

// JobEntry is something that somebody told.
type JobEntry struct {
	At    string `json:"at"`
	What  string `json:"what"`
	L     Number `json:"l"`
	UL    Number `json:"u_l"`
	Share Number `json:"share"`
	By    string `json:"by,omitempty"`
}

// Of a job's entries the newest are shown, so many and at most so many bytes of
// JSON.
const (
	mostEntries    = 50
	mostEntryBytes = 8 << 10
)

func entriesMessage(s *fillcalc.State) (list []JobEntry, leftOut int) {
	list, bytes := []JobEntry{}, 0
	for i, e := range slices.Backward(s.Job.Entries) {
		entry := JobEntry{Timestamp(e.AtNs), string(e.What), Number(e.L), Number(e.UL), Number(e.Share), e.By}
		bytes += len(Encode(entry))
		if len(list) == mostEntries || bytes > mostEntryBytes {
			leftOut = i + 1
			break
		}
		list = append(list, entry)
	}
	slices.Reverse(list)
	return list, leftOut
}

// BudgetTerm is one part of a volume's uncertainty.
type BudgetTerm struct {
	Name string `json:"name"`
	Of   string `json:"of,omitempty"`
	UL   Number `json:"u_l"` // standard uncertainty
	Pct  Number `json:"pct"` // share of the variance
}

// JobBudgets is what makes up the uncertainty of each volume.
type JobBudgets struct {
	Drained []BudgetTerm `json:"drained"`
	Added   []BudgetTerm `json:"added"`
	Balance []BudgetTerm `json:"balance"`
}

func budgetsMessage(s *fillcalc.State) JobBudgets {
	terms := func(b fillcalc.Budget) []BudgetTerm {
		list, u2 := []BudgetTerm{}, b.U2()
		for _, t := range merged(b) {
			if t.L != 0 {
				list = append(list, BudgetTerm{t.Name, t.Of, Number(math.Abs(t.L)), Number(100 * t.L * t.L / u2)})
			}
		}
		return list
	}
	return JobBudgets{terms(s.Budget(fillcalc.DrainedTally)), terms(s.Budget(fillcalc.AddedTally)), terms(s.BalanceBudget())}
}

// merged takes all steps together: a job may have hundreds.
func merged(b fillcalc.Budget) fillcalc.Budget {
	var short fillcalc.Budget
next:
	for _, t := range b {
		for i := range short {
			if t.Name == "division of a step" && short[i].Name == t.Name {
				short[i] = fillcalc.Term{Name: t.Name, Of: "several steps", L: math.Hypot(short[i].L, t.L)}
				continue next
			}
		}
		short = append(short, t)
	}
	return short
}

// JobTail is how the drain runs dry: null until that is known. Litres are at the
// reference temperature.
type JobTail struct {
	Drips         bool   `json:"drips"` // it has slowed to drips
	FlowLMin      Number `json:"flow_l_min"`
	In5MinL       Number `json:"in_5_min_l"`   // what five more minutes would gain
	In5MinUL      Number `json:"in_5_min_u_l"` // expanded, k = 2
	ToCome30MinL  Number `json:"to_come_30_min_l"`
	ToCome30MinUL Number `json:"to_come_30_min_u_l"`
}

func tailMessage(s *fillcalc.State) *JobTail {
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
