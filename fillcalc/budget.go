package fillcalc

import "math"

// Term is one input's part in the uncertainty of a volume (GUM 5.1.3): the
// input's standard uncertainty times how strongly the volume follows it. The
// sign is kept, because an input that two volumes share acts on their
// difference with the difference of its parts.
type Term struct {
	Name string  `json:"name"`
	Of   string  `json:"of"` // sensor, fluid or step
	L    float64 `json:"l"`  // litres at the reference temperature
}

// Budget is all terms of a volume.
type Budget []Term

// U2 is the variance in square litres: different inputs are independent.
func (b Budget) U2() float64 {
	u2 := 0.0
	for _, t := range b {
		u2 += float64(t.L * t.L)
	}
	return u2
}

// Minus is the budget of a difference: terms of the same input are fully
// correlated, all others not at all (GUM 5.2.2 with r of 1 and 0).
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
	// Standard uncertainty of the air's density when only a place's usual value is
	// known: weather moves it by about three percent (common practice, no source).
	airUKgM3 = 0.03
	// A scale wanders: by half a display step under load (creep, OIML R 76-1
	// 3.9.4.1), and by one for 5 °C of its zero's drift (3.9.2.3), of which an
	// account sees about half, since it runs for half of a job. Both are limits, so
	// they are divided by √3 (GUM 4.3.7).
	driftSteps = 0.408248290463863 // √((0.5² + 0.5²)/3)
	// Where caddy and supply stand on one scale, what the pan drips while somebody
	// pours is taken off both accounts unseen: up to some 30 mL of what hangs on a
	// closed pan (common practice, no source).
	unseenDripsUL = 0.008
)

// budget gathers the terms of an account.
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
		// Each account reaches from one weighing to another. On a scale that carries
		// both, what was added begins where the draining ended: one and the same
		// weighing, and a rise for one is a fall for the other.
		weighing := math.Sqrt(setup.weighingU2()) * perKg
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
			// What it does while the one runs says nothing of the other.
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
			continue // what is counted whole needs no dividing line
		}
		u2 := step.U2
		if step.As == "" {
			// Anything between nothing and all of it may have been fluid.
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

// feeds tells whether a scale's weight can go to an account.
func feeds(load Load, t Tally) bool {
	return load == BothLoad || (load == SupplyLoad) == (t == AddedTally)
}

// Budget is what makes up the uncertainty of drained, added or overflow.
func (s *State) Budget(t Tally) Budget {
	if t == AddedTally && !s.suppliesWeighed() {
		_, expanded := s.bottles()
		return Budget{{"labels of the bottles", "", expanded / 2}}
	}
	return s.budget(t)
}

// BalanceBudget is the same for what was added less what drained and what ran
// over.
func (s *State) BalanceBudget() Budget {
	return s.Budget(AddedTally).Minus(s.budget(DrainedTally)).Minus(s.budget(OverflowTally))
}
