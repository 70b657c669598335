package fillcalc

import (
	"fmt"
	"math"
)

// PlanInput is what a fill plan rests on. Each U is the standard uncertainty of
// the figure before it. Sizes that nobody knows are zero.
type PlanInput struct {
	Used, Fresh Fluid
	ReferenceC  float64
	// CheckC is the fluid's temperature when its level is judged.
	CheckC, CheckUC float64

	// What left the transmission, as mass: into the caddy, onto the floor, and
	// what stayed in the pan and the filter.
	DrainedKg, DrainedUKg   float64
	SpilledKg, SpilledUKg   float64
	RetainedKg, RetainedUKg float64
	// LevelCorrectionL comes from a check before draining, at CheckC: positive
	// when the level was low and more must go in than came out.
	LevelCorrectionL, LevelCorrectionUL float64

	AddedKg, AddedUKg float64 // mass
	// OverflowKg is fresh fluid that ran out at the plug while the level was
	// judged. It must not be in DrainedKg as well.
	OverflowKg, OverflowUKg float64

	// SharedGainU is the relative standard uncertainty of the slope of a scale
	// that weighed drained and added alike. DrainedUKg and AddedUKg are without
	// it; with two scales it is zero and they hold their own.
	SharedGainU float64

	FirstFill     float64 // fraction of the target to pour before the engine first runs
	StillDraining bool    // too early to call the amount small
	EngineHasRun  bool

	BottleL            float64 // label of the bottles used
	BottleTolerancePct float64 // half-width; zero takes the tolerable deficiency
	TypicalL           float64 // typical refill
	TotalL             float64 // total capacity
	CaddyFreeL         float64 // room left in the caddy
}

// Plan says how much to pour. Litres are at the reference temperature; each UL
// is a standard uncertainty.
type Plan struct {
	TargetL, TargetUL float64 // brings the level back at the check temperature
	FirstFillL        float64
	// RemainingL is still to pour: to the first fill before the engine has run,
	// to the target afterwards. Negative means that too much is in.
	RemainingL, RemainingUL float64
	RemainingMassKg         float64

	// Bottles as their labels say; zero when the bottles' size is not known.
	BottlesForTarget int
	// BottlesOpened so far: another one is counted once more was poured than
	// full bottles and the weighing leave open.
	BottlesOpened   int
	LastBottleLeftL float64

	Notes []Note
}

// Note is something that a technician should hear about a plan.
type Note struct {
	Kind NoteKind
	Text string
}

// NoteKind names a note for programs.
type NoteKind string

const (
	NoteOverfull      NoteKind = "overfull"
	NotePastFirstFill NoteKind = "past_first_fill"
	NoteLittle        NoteKind = "less_than_typical"
	NoteMuch          NoteKind = "more_than_typical"
	NoteOverCapacity  NoteKind = "more_than_capacity"
	NoteCaddy         NoteKind = "caddy_too_small"
	NoteBottles       NoteKind = "bottles_may_not_reach"
)

const (
	// Outside these shares of the typical refill the drained amount is not
	// believed without a question; common practice, no source.
	littleShare = 0.7
	muchShare   = 1.3

	shownL = 0.005 // half of the last digit that a display shows: less is nothing

	// By eye, a level between two marks is read to within a tenth of their
	// distance either way; common practice, no source.
	byEyeShare = 0.1
)

// Plan works out the target and what is still missing. The fresh fluid must
// take up, at the check temperature, the room that the used fluid left:
//
//	target = (m/ρused(check) + correction) · ρfresh(check)/ρfresh(reference)
//
// A fluid's density is taken to be off by the same share at all temperatures.
// Used and fresh fluid of the same name share that error, so that of what
// remains it acts on the difference only. The error names the input's field.
func (in PlanInput) Plan() (Plan, error) {
	if err := in.check(); err != nil {
		return Plan{}, err
	}
	usedCheck, usedPerC, err := in.Used.expansion(in.CheckC)
	if err != nil {
		return Plan{}, fmt.Errorf("used at check_c: %w", err)
	}
	freshCheck, freshPerC, err := in.Fresh.expansion(in.CheckC)
	if err != nil {
		return Plan{}, fmt.Errorf("fresh at check_c: %w", err)
	}
	usedRef, err := in.Used.Density(in.ReferenceC)
	if err != nil {
		return Plan{}, fmt.Errorf("used at reference_c: %w", err)
	}
	freshRef, err := in.Fresh.Density(in.ReferenceC)
	if err != nil {
		return Plan{}, fmt.Errorf("fresh at reference_c: %w", err)
	}

	// A density in another unit would carry everything below out of all bounds.
	for _, d := range [...]struct {
		field string
		kgM3  float64
	}{
		{"used at check_c", usedCheck}, {"used at reference_c", usedRef},
		{"fresh at check_c", freshCheck}, {"fresh at reference_c", freshRef},
	} {
		if err := within(d.field+": density in kg/m³", d.kgM3, 500, 2000); err != nil {
			return Plan{}, err
		}
	}

	removedL := float64((in.DrainedKg + in.SpilledKg + in.RetainedKg) / usedCheck * 1000) // at CheckC
	toRef := freshCheck / freshRef
	perKg := 1000 / freshRef

	// The standard uncertainty of share·target less what is in (GUM 5.2.2). With
	// addedPerKg zero nothing counts as in.
	u := func(share, addedPerKg float64) float64 {
		share *= toRef
		removedPerKg := share * 1000 / usedCheck
		usedL := share * removedL * in.Used.DensityU
		freshL := addedPerKg * (in.AddedKg - in.OverflowKg) * in.Fresh.DensityU
		if in.Used.Name == in.Fresh.Name {
			usedL, freshL = float64(usedL)-float64(freshL), 0
		}
		return rootSumSquares(
			removedPerKg*in.DrainedUKg, removedPerKg*in.SpilledUKg, removedPerKg*in.RetainedUKg,
			share*in.LevelCorrectionUL,
			addedPerKg*in.AddedUKg, addedPerKg*in.OverflowUKg,
			in.SharedGainU*(float64(removedPerKg*in.DrainedKg)-float64(addedPerKg*in.AddedKg)),
			usedL, freshL,
			// A warmer check makes room for more of what was removed, and lets the fresh
			// fluid fill it with less.
			in.CheckUC*share*(float64(removedL*(usedPerC-freshPerC))-float64(in.LevelCorrectionL*freshPerC)),
		)
	}

	var p Plan
	p.TargetL = float64((removedL + in.LevelCorrectionL) * toRef)
	p.TargetUL = u(1, 0)
	p.FirstFillL = float64(in.FirstFill * p.TargetL)
	share, aimL := 1.0, p.TargetL
	if !in.EngineHasRun {
		share, aimL = in.FirstFill, p.FirstFillL
	}
	netL := float64((in.AddedKg - in.OverflowKg) * perKg)
	p.RemainingL = aimL - netL
	p.RemainingUL = u(share, perKg)
	p.RemainingMassKg = p.RemainingL / perKg

	addedL := float64(max(0, in.AddedKg) * perKg)
	if in.BottleL > 0 {
		p.BottlesForTarget = max(0, int(math.Ceil((p.TargetL-shownL)/in.BottleL)))
		openL := float64(addedL*tolerancePct(in.BottleTolerancePct, in.BottleL)/100) + float64(2*in.AddedUKg*perKg)
		openL = min(openL, in.BottleL/2)
		p.BottlesOpened = max(0, int(math.Ceil((addedL-openL)/in.BottleL)))
		p.LastBottleLeftL = max(0, float64(float64(p.BottlesOpened)*in.BottleL)-addedL)
	}
	p.note(in, netL, u(1, perKg), usedCheck, usedRef)
	return p, nil
}

// note adds what a technician should hear.
func (p *Plan) note(in PlanInput, netL, missingUL, usedCheckKgM3, usedRefKgM3 float64) {
	add := func(kind NoteKind, format string, args ...any) {
		p.Notes = append(p.Notes, Note{kind, fmt.Sprintf(format, args...)})
	}
	missingL := p.TargetL - netL
	switch {
	case missingL < -shownL:
		add(NoteOverfull, "%.2f L more than the target is in (± %.2f L): draw it off.", -missingL, 2*missingUL)
	case p.RemainingL < -shownL:
		add(NotePastFirstFill, "%.2f L more than the first fill is in (± %.2f L): stop pouring until the engine has run.",
			-p.RemainingL, 2*p.RemainingUL)
	}
	if in.TypicalL > 0 {
		switch share := p.TargetL / in.TypicalL; {
		case share < littleShare && !in.StillDraining:
			add(NoteLittle, "The target is %.2f L, a typical refill %.2f L: the level was low, or more is still inside.",
				p.TargetL, in.TypicalL)
		case share > muchShare:
			add(NoteMuch, "The target is %.2f L, a typical refill %.2f L: it was overfull, or that figure is for another variant.",
				p.TargetL, in.TypicalL)
		}
	}
	if in.TotalL > 0 && p.TargetL > in.TotalL {
		add(NoteOverCapacity, "The target is %.2f L, more than the whole transmission holds (%.2f L): what was weighed is not all its fluid, or that figure is for another variant.",
			p.TargetL, in.TotalL)
	}
	expectedL := in.TypicalL
	if expectedL == 0 {
		expectedL = in.TotalL
	}
	if in.StillDraining && in.CaddyFreeL != 0 && expectedL > 0 {
		// It comes warm and takes more room than at the reference temperature.
		comingL := (float64(expectedL*usedRefKgM3) - float64(in.DrainedKg*1000)) / usedCheckKgM3
		if comingL > 0 && comingL > in.CaddyFreeL {
			add(NoteCaddy, "The caddy has room for %.2f L, and up to %.2f L are still to come: empty it before it runs over.",
				max(0, in.CaddyFreeL), comingL)
		}
	}
	if tolerance := tolerancePct(in.BottleTolerancePct, in.BottleL); p.BottlesForTarget > 0 && missingL > shownL {
		minHeldL := float64(p.BottlesForTarget) * in.BottleL * (1 - tolerance/100)
		if p.TargetL+float64(2*p.TargetUL) > minHeldL {
			add(NoteBottles, "%d bottles of %.2f L may not reach: each may hold %.1f %% less, and the target is known to ± %.2f L. Have one more at hand.",
				p.BottlesForTarget, in.BottleL, tolerance, 2*p.TargetUL)
		}
	}
}

func (in PlanInput) check() error {
	const most = 1000 // kg or L: no transmission is near it
	for _, f := range []struct {
		name            string
		value           float64
		lowest, highest float64
	}{
		// The scales' own sums may be a little below zero from noise.
		{"drained_kg", in.DrainedKg, -most, most}, {"drained_u_kg", in.DrainedUKg, 0, most},
		{"spilled_kg", in.SpilledKg, 0, most}, {"spilled_u_kg", in.SpilledUKg, 0, most},
		{"retained_kg", in.RetainedKg, 0, most}, {"retained_u_kg", in.RetainedUKg, 0, most},
		{"level_correction_l", in.LevelCorrectionL, -most, most}, {"level_correction_u_l", in.LevelCorrectionUL, 0, most},
		{"added_kg", in.AddedKg, -most, most}, {"added_u_kg", in.AddedUKg, 0, most},
		{"overflow_kg", in.OverflowKg, 0, most}, {"overflow_u_kg", in.OverflowUKg, 0, most},
		{"shared_gain_u", in.SharedGainU, 0, 1},
		{"used.density_u", in.Used.DensityU, 0, 1}, {"fresh.density_u", in.Fresh.DensityU, 0, 1},
		{"check_u_c", in.CheckUC, 0, 50},
		{"first_fill", in.FirstFill, 0, 1},
		{"bottle_tolerance_pct", in.BottleTolerancePct, 0, 20},
		{"typical_l", in.TypicalL, 0, most}, {"total_l", in.TotalL, 0, most},
		{"caddy_free_l", in.CaddyFreeL, -most, most},
	} {
		if err := within(f.name, f.value, f.lowest, f.highest); err != nil {
			return err
		}
	}
	if in.FirstFill == 0 {
		return fmt.Errorf("first_fill: 0 is not above 0 and at most 1")
	}
	if in.BottleL != 0 {
		if err := within("bottle_l", in.BottleL, minBottleL, maxBottleL); err != nil {
			return err
		}
	}
	if in.TotalL > 0 && in.TypicalL > in.TotalL {
		return fmt.Errorf("typical_l: %g is more than total_l %g: a refill is a part of the whole", in.TypicalL, in.TotalL)
	}
	return nil
}

// expansion is the density at a temperature and the share by which the volume
// grows for each °C there; at an end of the model's range, from its inside.
func (f Fluid) expansion(celsius float64) (kgM3, perC float64, err error) {
	kgM3, err = f.Density(celsius)
	if err != nil {
		return 0, 0, err
	}
	lowC, highC := celsius-0.5, celsius+0.5
	low, err := f.Density(lowC)
	if err != nil {
		lowC, low = celsius, kgM3
	}
	high, err := f.Density(highC)
	if err != nil {
		highC, high = celsius, kgM3
	}
	if lowC == highC {
		return kgM3, 0, nil // a table narrower than a degree tells nothing of expansion
	}
	return kgM3, (low - high) / (highC - lowC) / kgM3, nil
}

// rootSumSquares combines independent uncertainties (GUM 5.1.2).
func rootSumSquares(parts ...float64) float64 {
	sum := 0.0
	for _, u := range parts {
		sum += float64(u * u)
	}
	return math.Sqrt(sum)
}

// within refuses a figure outside its range, NaN included.
func within(field string, value, lowest, highest float64) error {
	if !(lowest <= value && value <= highest) {
		return fmt.Errorf("%s: %g is not between %g and %g", field, value, lowest, highest)
	}
	return nil
}
