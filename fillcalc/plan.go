package fillcalc

import (
	"fmt"
	"math"
)

// PlanInput holds the figures for a fill plan. Each U is the standard uncertainty
// of the figure before it. A size of 0 means unknown.
type PlanInput struct {
	Used, Fresh Fluid
	ReferenceC  float64
	// CheckC is the fluid's temperature in °C when its level is judged.
	CheckC, CheckUC float64

	// What left the transmission, as mass: into the caddy, onto the floor, and in the
	// pan and the filter.
	DrainedKg, DrainedUKg   float64
	SpilledKg, SpilledUKg   float64
	RetainedKg, RetainedUKg float64
	// LevelCorrectionL comes from a level check before draining, at CheckC. It is
	// positive if the level was low, so that more must go in than came out.
	LevelCorrectionL, LevelCorrectionUL float64

	AddedKg, AddedUKg float64 // mass
	// OverflowKg is fresh fluid that ran out again: of the check opening while the level was
	// judged, or below while it was poured in. It must not be part of DrainedKg.
	OverflowKg, OverflowUKg float64

	// What earlier passes had drained, and had left in of what they added. Both are part of the
	// figures above.
	DrainedBeforeKg, InBeforeKg float64

	// SharedGainU is the relative standard uncertainty of the slope of the one scale
	// that weighed both drained and added; DrainedUKg and AddedUKg do not include it.
	// With two scales it is 0, and they include that of their own scale.
	SharedGainU float64

	FirstFill     float64 // fraction of the target to pour before the engine first runs
	StillDraining bool    // too early to call the drained amount small
	EngineHasRun  bool

	BottleL            float64 // labelled size of the bottles used
	BottleTolerancePct float64 // half-width in percent; 0 means the tolerable deficiency
	TypicalL           float64 // typical refill
	TotalL             float64 // total capacity
	CaddyFreeL         float64 // room left in the caddy
}

// Plan says how much to pour in the present pass. Litres are at the reference temperature; each UL is a
// standard uncertainty.
type Plan struct {
	TargetL, TargetUL float64 // restores the level at the check temperature
	FirstFillL        float64
	InL               float64 // in the transmission: added, less what ran out again
	BeforeL           float64 // the same of earlier passes, which is not in the figures above
	// RemainingL is still to pour: up to the first fill until the engine has run, up
	// to the target afterwards. Negative means that too much is in.
	RemainingL, RemainingUL float64
	RemainingMassKg         float64

	// Bottles of the labelled size, of all passes; 0 if the size is not known.
	BottlesForTarget int
	// BottlesOpened is the number of bottles opened so far. The next one counts once
	// the amount poured exceeds the full bottles by more than their tolerance and the
	// uncertainty of the weighing.
	BottlesOpened   int
	LastBottleLeftL float64

	Notes []Text // what a technician should know about it
}

// The keys of a plan's notes.
const (
	NoteOverfull      = "note.overfull"
	NotePastFirstFill = "note.past_first_fill"
	NoteLittle        = "note.less_than_typical"
	NoteMuch          = "note.more_than_typical"
	NoteOverCapacity  = "note.more_than_capacity"
	NoteCaddy         = "note.caddy_too_small"
	NoteBottles       = "note.bottles_may_not_reach"
	NoteRanOut        = "note.ran_out"
)

const (
	// Outside these shares of the typical refill there is a note (common practice, no
	// source).
	littleShare = 0.7
	muchShare   = 1.3

	shownL = 0.005 // half of the last digit that a display shows: less does not count

	// By eye, a level between two marks is read to within ± a tenth of their distance
	// (common practice, no source).
	byEyeShare = 0.1
)

// Plan computes the target and what is still missing. At the check temperature,
// the fresh fluid must fill the room that the used fluid left:
//
//	target = (m/ρused(check) + correction) · ρfresh(check)/ρfresh(reference)
//
// where m is the mass drained, spilled and retained. Until the engine has run, the
// aim is the first fill, FirstFill times the target.
//
// The error of a fluid's density is assumed to be the same share at all
// temperatures. Used and fresh fluid of the same name share it, so that it acts
// only on the difference of removed and added. The error names the input's field.
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

	// A density in another unit would make all figures below meaningless.
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

	// The standard uncertainty of share·target less what is in (GUM 5.2.2). If
	// addedPerKg is 0, nothing counts as in.
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
			// At a warmer check the removed fluid takes up more room, and less fresh fluid
			// fills it.
			in.CheckUC*share*(float64(removedL*(usedPerC-freshPerC))-float64(in.LevelCorrectionL*freshPerC)),
		)
	}

	var p Plan
	p.BeforeL = float64(in.InBeforeKg * perKg)
	p.TargetL = float64((removedL+in.LevelCorrectionL)*toRef) - p.BeforeL
	p.TargetUL = u(1, 0)
	p.FirstFillL = float64(in.FirstFill * p.TargetL)
	share, aimL := 1.0, p.TargetL
	if !in.EngineHasRun {
		share, aimL = in.FirstFill, p.FirstFillL
	}
	p.InL = float64((in.AddedKg-in.OverflowKg)*perKg) - p.BeforeL
	p.RemainingL = aimL - p.InL
	p.RemainingUL = u(share, perKg)
	p.RemainingMassKg = p.RemainingL / perKg

	addedL := float64(max(0, in.AddedKg) * perKg)
	if in.BottleL > 0 {
		p.BottlesForTarget = max(0, int(math.Ceil((p.TargetL+p.BeforeL-shownL)/in.BottleL)))
		openL := float64(addedL*tolerancePct(in.BottleTolerancePct, in.BottleL)/100) + float64(2*in.AddedUKg*perKg)
		openL = min(openL, in.BottleL/2)
		p.BottlesOpened = max(0, int(math.Ceil((addedL-openL)/in.BottleL)))
		p.LastBottleLeftL = max(0, float64(float64(p.BottlesOpened)*in.BottleL)-addedL)
	}
	p.note(in, u(1, perKg), usedCheck, usedRef)
	return p, nil
}

// note adds the notes for the technician.
func (p *Plan) note(in PlanInput, missingUL, usedCheckKgM3, usedRefKgM3 float64) {
	add := func(key string, f figures) { p.Notes = append(p.Notes, Text{Key: key, Figures: f}) }
	missingL := p.TargetL - p.InL
	switch {
	case missingL < -shownL:
		add(NoteOverfull, figures{"over_l": -missingL, "over_u_l": 2 * missingUL})
	case p.RemainingL < -shownL:
		add(NotePastFirstFill, figures{"over_l": -p.RemainingL, "over_u_l": 2 * p.RemainingUL})
	}
	if in.TypicalL > 0 {
		switch share := p.TargetL / in.TypicalL; {
		case share < littleShare && !in.StillDraining:
			add(NoteLittle, figures{"target_l": p.TargetL, "typical_l": in.TypicalL})
		case share > muchShare:
			add(NoteMuch, figures{"target_l": p.TargetL, "typical_l": in.TypicalL})
		}
	}
	if in.TotalL > 0 && p.TargetL > in.TotalL {
		add(NoteOverCapacity, figures{"target_l": p.TargetL, "total_l": in.TotalL})
	}
	expectedL := in.TypicalL
	if expectedL == 0 {
		expectedL = in.TotalL
	}
	if in.StillDraining && in.CaddyFreeL != 0 && expectedL > 0 {
		// It arrives warm and takes up more room than at the reference temperature.
		comingL := (float64(expectedL*usedRefKgM3) - float64((in.DrainedKg-in.DrainedBeforeKg)*1000)) / usedCheckKgM3
		if comingL > 0 && comingL > in.CaddyFreeL {
			add(NoteCaddy, figures{"free_l": max(0, in.CaddyFreeL), "coming_l": comingL})
		}
	}
	if tolerance := tolerancePct(in.BottleTolerancePct, in.BottleL); p.BottlesForTarget > 0 && missingL > shownL {
		minHeldL := float64(p.BottlesForTarget) * in.BottleL * (1 - tolerance/100)
		if p.TargetL+p.BeforeL+float64(2*p.TargetUL) > minHeldL {
			add(NoteBottles, figures{"count": float64(p.BottlesForTarget), "bottle_l": in.BottleL, "less_pct": tolerance, "target_u_l": 2 * p.TargetUL})
		}
	}
}

func (in PlanInput) check() error {
	const limit = 1000 // kg or L, far above any transmission
	for _, f := range []struct {
		name            string
		value           float64
		lowest, highest float64
	}{
		// Noise may put the scales' sums slightly below zero.
		{"drained_kg", in.DrainedKg, -limit, limit}, {"drained_u_kg", in.DrainedUKg, 0, limit},
		{"spilled_kg", in.SpilledKg, 0, limit}, {"spilled_u_kg", in.SpilledUKg, 0, limit},
		{"retained_kg", in.RetainedKg, 0, limit}, {"retained_u_kg", in.RetainedUKg, 0, limit},
		{"level_correction_l", in.LevelCorrectionL, -limit, limit}, {"level_correction_u_l", in.LevelCorrectionUL, 0, limit},
		{"added_kg", in.AddedKg, -limit, limit}, {"added_u_kg", in.AddedUKg, 0, limit},
		{"drained_before_kg", in.DrainedBeforeKg, -limit, limit}, {"in_before_kg", in.InBeforeKg, -limit, limit},
		{"overflow_kg", in.OverflowKg, 0, limit}, {"overflow_u_kg", in.OverflowUKg, 0, limit},
		{"shared_gain_u", in.SharedGainU, 0, 1},
		{"used.density_u", in.Used.DensityU, 0, 1}, {"fresh.density_u", in.Fresh.DensityU, 0, 1},
		{"check_u_c", in.CheckUC, 0, 50},
		{"first_fill", in.FirstFill, 0, 1},
		{"bottle_tolerance_pct", in.BottleTolerancePct, 0, 20},
		{"typical_l", in.TypicalL, 0, limit}, {"total_l", in.TotalL, 0, limit},
		{"caddy_free_l", in.CaddyFreeL, -limit, limit},
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

// expansion returns the density at a temperature and the relative growth of the
// volume per °C there. At an end of the model's range it is taken from the inside.
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
		return kgM3, 0, nil // a table narrower than a degree says nothing about expansion
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

// within returns an error for a figure outside its range, or NaN.
func within(field string, value, lowest, highest float64) error {
	if !(lowest <= value && value <= highest) {
		return fmt.Errorf("%s: %g is not between %g and %g", field, value, lowest, highest)
	}
	return nil
}
