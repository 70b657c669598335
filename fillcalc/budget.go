package fillcalc

import "math"

// Term is one input's contribution to the uncertainty of a volume (GUM 5.1.3):
// the input's standard uncertainty times the sensitivity of the volume to it.
// The sign of the sensitivity is kept, because an input that two volumes share
// contributes to their difference by the difference of its terms.
type Term struct {
	Name string  `json:"name"` // of a closed list, [TermNames]
	Of   string  `json:"of"`   // sensor, fluid or number of a change; may be empty
	L    float64 `json:"l"`    // litres at the reference temperature
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

// TermNames lists the names of all terms.
func TermNames() []string {
	list := []string{"weighing_start", "weighing", "weighing_end", "slope", "linearity", "off_middle", "gravity", "density_air", "density_fluid", "expansion",
		"use", "funnel", "drips", "ran_over", "change", "empty_bottle", "bottles_back", "labels"}
	for _, t := range [...]Tally{DrainedTally, AddedTally, OverflowTally} {
		list = append(list, "drift_"+t.String(), "off_middle_"+t.String(), "doubt_"+t.String())
	}
	return list
}

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
	// Linearity and hysteresis of a scale that no calibration knows: half a display step,
	// as a rectangle (common practice, no source).
	linearitySteps = 0.288675134594813 // 0.5/√3
	// Fluid stands a little off the middle, share of its weight as a standard uncertainty
	// (common practice, no source). OIML R 76-1, 3.6.2 allows more for a third of Max at
	// the edge.
	offCentreU = 0.0002
	// What is set down anew shifts the load a little, share of the whole load (common practice, no
	// source).
	setDownU = 0.0001
	// A scale that was not calibrated where it stands: gravity changes by 0.0092 % a degree
	// of latitude at 45° (normal gravity of the ellipsoid GRS 80), and such scales come from
	// within three degrees, as a rectangle.
	gravityU = 0.00016 // 0.000092·3/√3
	// Thermal expansion of a fluid, standard uncertainty: a twentieth of 0.0008 per °C
	// (common practice, no source), over the degrees from where its density is known.
	expansionUPerC = 0.00004
	// What stays in hose and funnel: 0 to 10 mL as a rectangle (common practice, no source).
	funnelUL = 0.0029
)

// budget returns the terms of an account; nil while the account has not begun.
func (s *State) budget(t Tally) Budget {
	j := &s.Job
	if !j.begun(t) {
		return nil
	}
	perKg := 1000 / s.kgM3(t) * s.factor(t) // litres per kilogram shown
	litres := s.shownKg(t) * perKg
	var b Budget
	for i := range s.Scales[:s.ScaleN] {
		b = append(b, s.weighed(i, t, perKg)...)
		if sc := &s.Scales[i]; feeds(sc.Setup.Load, t) {
			b = append(b, sc.Setup.terms(s.NowNs, litres, perKg)...)
		}
	}
	b = append(b,
		// dL/L = -(1/ρ - 1/8000)·dρair, to first order.
		Term{"density_air", "", litres * airUKgM3 * (1/s.kgM3(t) - 1.0/ConventionalWeightKgM3)},
		Term{"density_fluid", s.fluid(t).Name, litres * s.fluid(t).DensityU},
		Term{"expansion", s.fluid(t).Name, litres * expansionUPerC * (j.ReferenceC - s.fluid(t).AtC)})
	if t == AddedTally {
		b = append(b, Term{"funnel", "", funnelUL})
	}
	if t == DrainedTally && j.Spec.UsedSpreadU > 0 {
		b = append(b, Term{"use", "", litres * j.Spec.UsedSpreadU})
	}
	return b
}

// terms returns what the instrument itself adds to the uncertainty of a volume.
func (s *ScaleSetup) terms(nowNs int64, litres, perKg float64) Budget {
	linearityKg := float64(linearitySteps * s.ResolutionKg)
	b := Budget{
		{"slope", s.Sensor, litres * s.gainU(nowNs)},
		{"off_middle", s.Sensor, litres * offCentreU},
	}
	if c := s.Calibration; c != nil && c.Passed {
		linearityKg = c.WorstKg / math.Sqrt(3)
	}
	if s.Calibration == nil {
		b = append(b, Term{"gravity", s.Sensor, litres * gravityU})
	}
	return append(b, Term{"linearity", s.Sensor, linearityKg * perKg})
}

// driftKg is the standard uncertainty of a scale's drift in an account: as configured, or
// as the worst of the cart's scales was seen to drift before it counted.
func (s *State) driftKg(i int, from, to *Settled) float64 {
	stepKg := s.Scales[i].Setup.ResolutionKg
	u := float64(driftSteps * stepKg)
	for k := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[k]
		u = max(u, float64(math.Abs(sc.Idle.kgS())/sc.Setup.ResolutionKg*stepKg*(float64(to.AtNs-from.AtNs)/1e9)))
	}
	return u
}

// weighed returns the terms of what scale i has weighed for an account: the weighings
// at which it began and ended, and the changes between them that are in no account.
//
// Accounts of one scale share the weighing between them, with opposite signs, so that it
// cancels in the balance.
func (s *State) weighed(i int, t Tally, perKg float64) (b Budget) {
	j, l, sc := &s.Job, &s.Job.Ledgers[i], &s.Scales[i]
	name := sc.Setup.Sensor
	perKg = float64(t.sign() * perKg)
	bottles, driftKg, offKg := 0.0, 0.0, 0.0
	for k := range l.MarkN {
		if l.Marks[k].Into != t {
			continue
		}
		from, to := s.segment(i, k)
		driftKg = max(driftKg, s.driftKg(i, &from, &to))
		b = b.plus(weighingTerm(k, l.MarkN, name, float64(-math.Sqrt(from.U2)*perKg)))
		b = b.plus(weighingTerm(k+1, l.MarkN, name, float64(math.Sqrt(to.U2)*perKg)))
		for n := range to.Changes {
			c := &j.Changes[n]
			if c.Sensor == name && j.doubtful(sc.Setup.Load, c) { // its other end may lie in this account
				b = append(b, Term{"doubt_" + t.String(), number(c.ID), c.Kg / math.Sqrt(3) * perKg})
			}
			if c.Sensor != name || n < from.Changes {
				continue
			}
			// What is set down anew stands elsewhere, with all that is in it.
			offKg = setDownU * rootSumSquares(from.Kg, to.Kg)
			_, u2 := j.apart(n, from.Changes, to.Changes)
			if c.As == AsBottle {
				bottles++
			}
			if c.As == "" || c.Light {
				// Any share of it may have been fluid: the mean square of a uniformly
				// distributed share.
				u2 += float64(c.Kg*c.Kg) / 3
			}
			b = append(b, Term{"change", number(c.ID), math.Sqrt(u2) * perKg})
		}
	}
	if driftKg > 0 {
		// Drift during one account says nothing about the other, so that the tally is part
		// of the term's name.
		b = append(b, Term{"drift_" + t.String(), name, driftKg * perKg})
	}
	if offKg > 0 {
		b = append(b, Term{"off_middle_" + t.String(), name, offKg * perKg})
	}
	if bottles > 0 {
		b = append(b, Term{"empty_bottle", "", bottles * j.EmptyUKg * perKg})
	}
	if bottles > 0 && float64(sure*sc.PeakKg) > j.EmptyKg/2 {
		// Where it sways so much, an empty one may come back unseen.
		b = append(b, Term{"bottles_back", name, math.Sqrt(bottles) * j.EmptyKg / 2 * perKg})
	}
	if l.Drip.Begun {
		if t != OverflowTally {
			b = append(b, Term{"drips", name, l.Drip.uKg() * math.Abs(perKg)})
		}
		if t != DrainedTally {
			b = append(b, Term{"ran_over", name, math.Sqrt(l.Drip.OverU2) * math.Abs(perKg)})
		}
	}
	return b
}

// plus adds a term to that of the same name, if there is one: the same weighing may end
// one stretch of an account and begin the next.
func (b Budget) plus(t Term) Budget {
	for i := range b {
		if b[i].Name == t.Name && b[i].Of == t.Of {
			b[i].L += t.L
			return b
		}
	}
	return append(b, t)
}

// weighingTerm is the term of a scale's weighing at a mark.
func weighingTerm(mark, marks int, sensor string, l float64) Term {
	switch mark {
	case 0:
		return Term{"weighing_start", sensor, l}
	case marks:
		return Term{"weighing_end", sensor, l}
	}
	return Term{"weighing", sensor + " " + number(mark+1), l}
}

func number(n int) (digits string) {
	for ; n > 0; n /= 10 {
		digits = "0123456789"[n%10:n%10+1] + digits
	}
	return digits
}

// feeds reports whether a scale's weight can go to an account.
func feeds(load Load, t Tally) bool {
	return load == BothLoad || (load == SupplyLoad) == (t == AddedTally)
}

// Budget returns the terms of the uncertainty of an account. If no scale weighs
// the supply, the only term of added is the tolerance of the bottles' labels.
func (s *State) Budget(t Tally) Budget {
	if t == AddedTally && !s.suppliesWeighed() {
		_, expanded := s.bottles(0, math.MaxInt64)
		return Budget{{"labels", "", expanded / 2}}
	}
	return s.budget(t)
}

// BalanceBudget returns the terms of the balance: added less drained and less
// what ran over.
func (s *State) BalanceBudget() Budget {
	return s.Budget(AddedTally).Minus(s.budget(DrainedTally)).Minus(s.budget(OverflowTally))
}
