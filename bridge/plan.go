package bridge

import (
	"math"
	"slices"

	"bayfill/fillcalc"
)

// JobPlan is how much to pour, in litres at the reference temperature, in the
// leaf job.
type JobPlan struct {
	TargetL     number `json:"target_l"`
	TargetUL    number `json:"target_u_l"` // expanded, k = 2
	FirstFillL  number `json:"first_fill_l"`
	RemainingL  number `json:"remaining_l"`
	RemainingUL number `json:"remaining_u_l"`
	// Bottles as labelled; null when their size is not known.
	Bottles         *int     `json:"bottles"`
	BottlesOpened   *int     `json:"bottles_opened"`
	LastBottleLeftL *float64 `json:"last_bottle_left_l"`
	// What the last dipstick reading asks for; below zero is to be drawn off.
	TopUpL  number     `json:"top_up_l"`
	TopUpUL number     `json:"top_up_u_l"`
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
		TargetL: number(p.TargetL), TargetUL: number(2 * p.TargetUL), FirstFillL: number(p.FirstFillL),
		RemainingL: number(p.RemainingL), RemainingUL: number(2 * p.RemainingUL), Notes: []PlanNote{},
	}
	if s.Job.Spec.BottleL > 0 {
		m.Bottles, m.BottlesOpened, m.LastBottleLeftL = &p.BottlesForTarget, &p.BottlesOpened, &p.LastBottleLeftL
	}
	m.TopUpL, m.TopUpUL = number(math.NaN()), number(math.NaN())
	litres, u, ok, err := s.TopUp()
	if ok {
		m.TopUpL, m.TopUpUL = number(litres), number(u)
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
	L     number `json:"l"`
	UL    number `json:"u_l"`
	Share number `json:"share"`
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
		entry := JobEntry{timestamp(e.AtNs), string(e.What), number(e.L), number(e.UL), number(e.Share), e.By}
		bytes += len(encode(entry))
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
	UL   number `json:"u_l"` // standard uncertainty
	Pct  number `json:"pct"` // share of the variance
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
				list = append(list, BudgetTerm{t.Name, t.Of, number(math.Abs(t.L)), number(100 * t.L * t.L / u2)})
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
	FlowLMin      number `json:"flow_l_min"`
	In5MinL       number `json:"in_5_min_l"`   // what five more minutes would gain
	In5MinUL      number `json:"in_5_min_u_l"` // expanded, k = 2
	ToCome30MinL  number `json:"to_come_30_min_l"`
	ToCome30MinUL number `json:"to_come_30_min_u_l"`
}

func tailMessage(s *fillcalc.State) *JobTail {
	f := s.Tail.Forecast(s.NowNs)
	if !f.Known || s.Job.Phase != fillcalc.Draining && s.Job.Phase != fillcalc.Service {
		return nil
	}
	perKg := 1000 * s.Job.UsedFactor / s.Job.UsedKgM3
	return &JobTail{
		Drips: f.Drips, FlowLMin: number(f.FlowKgS * 60 * perKg),
		In5MinL: number(f.In5MinKg * perKg), In5MinUL: number(2 * f.In5MinUKg * perKg),
		ToCome30MinL: number(f.ToCome30MinKg * perKg), ToCome30MinUL: number(2 * f.ToCome30MinUKg * perKg),
	}
}
