package audit

import (
	"cmp"
	"math"
	"slices"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// sheetVolumes fills in the volumes at the reference temperature and at the check
// temperature.
func (r *Report) sheetVolumes(d *SheetData, reader words.Reader) {
	s := &r.state
	v := s.Volumes()
	// growth is the volume at the check temperature of a litre at the reference one.
	growth := func(f fillcalc.Fluid) float64 {
		l, err := s.AsItLiesL(f, 1, float64(d.CheckC))
		if err != nil {
			return math.NaN()
		}
		return l
	}
	used, fresh := growth(s.Job.Spec.Used), growth(s.Job.Spec.Fresh)
	at := func(b fillcalc.Budget, growth float64) (warm fillcalc.Budget) {
		for _, t := range b {
			warm = append(warm, fillcalc.Term{Name: t.Name, Of: t.Of, L: t.L * growth})
		}
		return warm
	}
	drained, added, overflow := s.Budget(fillcalc.DrainedTally), s.Budget(fillcalc.AddedTally), s.Budget(fillcalc.OverflowTally)
	row := func(name string, kg, l, uL, checkL, checkUL float64, b fillcalc.Budget) {
		if !isNumber(l) {
			checkL, checkUL = math.NaN(), math.NaN()
		}
		d.Volumes = append(d.Volumes, SheetVolume{name, reader.Word("volume." + name), number(kg), number(l), number(uL), number(checkL), number(checkUL), sheetTerms(b, reader)})
	}
	row("drained", v.DrainedKg, v.DrainedL, v.DrainedUL, v.DrainedL*used, v.DrainedUL*used, drained)
	row("added", v.AddedKg, v.AddedL, v.AddedUL, v.AddedL*fresh, v.AddedUL*fresh, added)
	if overflow != nil {
		row("overflow", v.OverflowL*s.Job.FreshKgM3/1000, v.OverflowL, v.OverflowUL, v.OverflowL*fresh, v.OverflowUL*fresh, overflow)
	}
	warm := at(added, fresh).Minus(at(drained, used)).Minus(at(overflow, fresh))
	row("balance", v.AddedKg-v.OverflowL*s.Job.FreshKgM3/1000-v.DrainedKg, v.BalanceL, v.BalanceUL,
		(v.AddedL-v.OverflowL)*fresh-v.DrainedL*used, 2*math.Sqrt(warm.U2()), s.BalanceBudget())
	row("undecided", math.NaN(), v.UndecidedL, math.NaN(), math.NaN(), math.NaN(), nil)
	plan, err := s.WholePlan()
	if err != nil {
		return
	}
	target := plan.TargetL + plan.BeforeL
	row("target", target*s.Job.FreshKgM3/1000, target, 2*plan.TargetUL, target*fresh, 2*plan.TargetUL*fresh, nil)
	row("missing", plan.RemainingMassKg, plan.RemainingL, 2*plan.RemainingUL, plan.RemainingL*fresh, 2*plan.RemainingUL*fresh, nil)
}

// sheetTerms returns the terms of a budget, the largest first.
func sheetTerms(b fillcalc.Budget, reader words.Reader) []SheetTerm {
	terms := []SheetTerm{}
	for _, t := range b {
		if share := t.L * t.L / b.U2(); share > 1e-9 { // terms that cancel leave a rounding error
			terms = append(terms, SheetTerm{t.Name, reader.Word("budget." + t.Name), t.Of, number(1000 * math.Abs(t.L)), number(100 * share)})
		}
	}
	slices.SortStableFunc(terms, func(a, b SheetTerm) int { return cmp.Compare(b.UML, a.UML) })
	return terms
}

// sheetPasses fills in the passes of a service in several.
func (r *Report) sheetPasses(d *SheetData) {
	passes := r.state.Passes()
	if len(passes) < 2 {
		return
	}
	for _, p := range passes {
		d.Passes = append(d.Passes, SheetPass{number(p.OutL), number(p.AddedL), number(100 * p.OldLeft)})
	}
}

// wordOr is the catalogue's word for a key, or a text where it has none.
func wordOr(r words.Reader, key, text string) string {
	if words.Knows(key) {
		return r.Word(key)
	}
	return text
}
