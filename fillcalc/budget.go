package fillcalc

import "math"

// Term is one input's contribution to the uncertainty of a volume (GUM 5.1.3):
// the input's standard uncertainty times the sensitivity of the volume to it.
// The sign of the sensitivity is kept, because an input that two volumes share
// contributes to their difference by the difference of its terms.
type Term struct {
	Name string  `json:"name"`
	Of   string  `json:"of"` // sensor, fluid or step; may be empty
	L    float64 `json:"l"`  // litres at the reference temperature
}

// Budget holds all terms of a volume's uncertainty by the GUM (JCGM 100:2008).
// Terms that differ in Name or Of are independent of each other.
//
// Two volumes that depend on one input, such as the slope of one scale or the
// density of one fluid, hold a term of the same name. A difference subtracts these
// terms before they are squared, so that they cancel as far as the two volumes are
// equal. On a cart with one scale, the weighing between draining and filling
// cancels in the balance as well.
//
// The command bayfill budget prints the budgets of a job.
type Budget []Term

// U2 returns the combined variance in square litres (GUM 5.1.2).
func (b Budget) U2() float64 {
	u2 := 0.0
	for _, t := range b {
		u2 += float64(t.L * t.L)
	}
	return u2
}

// Minus returns the budget of the difference of two volumes. Terms with the same
// Name and Of are fully correlated, all others are independent (GUM 5.2.2 with
// r = 1 and r = 0).
func (b Budget) Minus(other Budget) Budget {
	diff := append(Budget{}, b...)
next:
	for _, o := range other {
		for i := range diff {
			if diff[i].Name == o.Name && diff[i].Of == o.Of {
				diff[i].L -= o.L
				continue next
			}
		}
		diff = append(diff, Term{o.Name, o.Of, -o.L})
	}
	return diff
}

const (
	// Standard uncertainty of the air's density when only the usual value of the
	// place is known: weather changes it by about three percent (common practice, no
	// source).
	airUKgM3 = 0.03
	// Drift of a scale in display steps, standard uncertainty. Creep under load may
	// be half a step (OIML R 76-1, 3.9.4.1). The zero may drift by one step for 5 °C
	// (3.9.2.3), of which an account sees about half, since it runs for half of a
	// job. Both are limits, so they are divided by √3 (GUM 4.3.7).
	driftSteps = 0.408248290463863 // √((0.5² + 0.5²)/3)
	// Standard uncertainty for drips that nobody sees. If caddy and supply stand on
	// one scale, what the pan drips while somebody pours is missing from both
	// accounts: up to some 30 mL, from what hangs on a closed pan (common practice,
	// no source).
	unseenDripsUL = 0.008
)

// budget returns the terms of an account; nil while the account has not begun.
func (s *State) budget(t Tally) Budget {
	j := &s.Job
	if !j.account(t).Begun {
		return nil
	}
	perKg := 1000 / s.kgM3(t) * s.factor(t) // litres per kilogram shown
	litres := s.shownKg(t) * perKg
	var b Budget
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if !feeds(sc.Setup.Load, t) {
			continue
		}
		setup := &sc.Setup
		name := setup.Sensor
		// Each account is the difference of two weighings. On a scale that carries
		// both containers, filling begins with the weighing that ended the draining.
		// The two accounts share it, with opposite signs, since a rise counts as
		// drained and a fall as added.
		weighing := math.Sqrt(sc.weighingU2()) * perKg
		from, to := "weighing at the start", "weighing at the end"
		switch {
		case t == DrainedTally && (setup.Load == BothLoad && j.Added.Begun || j.Overflow.Begun):
			to = "weighing between"
		case t == AddedTally && setup.Load == BothLoad:
			from = "weighing between"
		case t == OverflowTally:
			from = "weighing between"
		}
		sign := 1.0
		if t == AddedTally {
			sign = -1
		}
		b = append(b,
			Term{from, name, -sign * weighing},
			Term{to, name, sign * weighing},
			// Drift during one account says nothing about the other, so that the tally is
			// part of the term's name.
			Term{"drift of the scale", name + ", " + t.String(), sign * driftSteps * setup.ResolutionKg * perKg},
			Term{"slope of the scale", name, litres * setup.gainU(s.NowNs)})
		if setup.Load == BothLoad && j.Added.Begun {
			b = append(b, Term{"drips unseen while it is filled", name, unseenDripsUL})
		}
	}
	b = append(b,
		// dL/L = -(1/ρ - 1/8000)·dρair, to first order.
		Term{"density of the air", "", litres * airUKgM3 * (1/s.kgM3(t) - 1.0/ConventionalWeightKgM3)},
		Term{"density of the fluid", s.fluid(t).Name, litres * s.fluid(t).DensityU})
	if t == DrainedTally && j.Spec.UsedSpreadU > 0 {
		b = append(b, Term{"change of the fluid in use", "", litres * j.Spec.UsedSpreadU})
	}
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; j.streamOf(sc.Setup.Load) == t && j.addsUpBadly(sc) {
			_, sumKg := j.unpaired(sc.Setup.Sensor)
			b = append(b, Term{"objects that do not add up", sc.Setup.Sensor, math.Abs(sumKg) / math.Sqrt(3) * perKg})
		}
	}
	for _, step := range j.Steps[j.StepsBefore:] {
		if step.Tally != t && !(step.Returns && t == AddedTally) || step.With != 0 || step.As == AsFluid || step.As == AsLean {
			continue // the whole step counts or none of it, so that no division matters
		}
		u2 := step.U2
		if step.As == "" {
			// Any share of it may have been fluid, and none is counted: the mean square of
			// a uniformly distributed share.
			u2 += float64(step.Kg*step.Kg) / 3
		}
		b = append(b, Term{"division of a step", stepName(step), math.Sqrt(u2) * perKg})
	}
	return b
}

func stepName(step Step) string {
	const digits = "0123456789"
	name, n := "", step.ID
	for n > 0 {
		name, n = digits[n%10:n%10+1]+name, n/10
	}
	return "step " + name
}

// feeds reports whether a scale's weight can go to an account.
func feeds(load Load, t Tally) bool {
	return load == BothLoad || (load == SupplyLoad) == (t == AddedTally)
}

// Budget returns the terms of the uncertainty of an account. If no scale weighs
// the supply, the only term of added is the tolerance of the bottles' labels.
func (s *State) Budget(t Tally) Budget {
	if t == AddedTally && !s.suppliesWeighed() {
		_, expanded := s.bottles()
		return Budget{{"labels of the bottles", "", expanded / 2}}
	}
	return s.budget(t)
}

// BalanceBudget returns the terms of the balance: added less drained and less
// what ran over.
func (s *State) BalanceBudget() Budget {
	return s.Budget(AddedTally).Minus(s.budget(DrainedTally)).Minus(s.budget(OverflowTally))
}
