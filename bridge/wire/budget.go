package wire

import (
	"math"

	"bayfill/fillcalc"
)

// BudgetTerm is one part of a volume's uncertainty.
type BudgetTerm struct {
	Name string `json:"name"`
	Of   string `json:"of,omitempty"` // what it comes from, as a sensor or the number of a change; of several changes nothing
	UL   Number `json:"u_l"`          // standard uncertainty
	Pct  Number `json:"pct"`          // share of the variance
}

// JobBudgets is the part of the leaf job that says what makes up the uncertainty of
// each volume.
type JobBudgets struct {
	Drained []BudgetTerm `json:"drained"`
	Added   []BudgetTerm `json:"added"`
	Balance []BudgetTerm `json:"balance"`
}

// budgetsOf returns the terms of each volume that are not zero.
func budgetsOf(s *fillcalc.State) JobBudgets {
	terms := func(b fillcalc.Budget) []BudgetTerm {
		list, u2 := []BudgetTerm{}, b.U2()
		for _, t := range merged(b) {
			list = append(list, BudgetTerm{t.Name, t.Of, Number(math.Abs(t.L)), Number(100 * t.L * t.L / u2)})
		}
		return list
	}
	return JobBudgets{terms(s.Budget(fillcalc.DrainedTally)), terms(s.Budget(fillcalc.AddedTally)), terms(s.BalanceBudget())}
}

// merged leaves out the terms that are zero, and combines those of all changes into one: a
// job may have hundreds of changes.
func merged(b fillcalc.Budget) fillcalc.Budget {
	var short fillcalc.Budget
next:
	for _, t := range b {
		if t.L == 0 {
			continue
		}
		for i := range short {
			if t.Name == "change" && short[i].Name == t.Name {
				short[i] = fillcalc.Term{Name: t.Name, L: math.Hypot(short[i].L, t.L)}
				continue next
			}
		}
		short = append(short, t)
	}
	return short
}
