package fillcalc

import "math"

// Plan works out the job's fill plan at the state's time. It is an error while
// drained or added are not known.
func (s *State) Plan() (Plan, error) {
	j := &s.Job
	spec := &j.Spec
	v := s.Volumes()
	in := PlanInput{
		Used: spec.Used, Fresh: spec.Fresh, ReferenceC: j.ReferenceC,
		CheckC: (spec.LowC + spec.HighC) / 2,
		// The level may be judged anywhere in the window (GUM 4.3.7).
		CheckUC:   (spec.HighC - spec.LowC) / 2 / math.Sqrt(3),
		DrainedKg: v.DrainedKg, AddedKg: v.AddedKg,
		OverflowKg: s.shownKg(OverflowTally) * j.FreshFactor,
		FirstFill:  spec.FirstFill, EngineHasRun: j.EngineRan,
		StillDraining: j.Phase == Ready || j.Phase == Draining,
		BottleL:       spec.BottleL, TypicalL: spec.TypicalL, TotalL: spec.TotalL,
	}
	if !math.IsNaN(v.CaddyFreeL) {
		in.CaddyFreeL = v.CaddyFreeL
	}
	if s.ScaleN == 1 && s.Scales[0].Setup.Load == BothLoad {
		in.SharedGainU = s.Scales[0].Setup.gainU(s.NowNs)
	}
	in.DrainedUKg = s.weighedUKg(DrainedTally, in.SharedGainU > 0)
	in.AddedUKg = s.weighedUKg(AddedTally, in.SharedGainU > 0)
	in.OverflowUKg = s.weighedUKg(OverflowTally, in.SharedGainU > 0)
	kg := func(what What) (kg, uKg float64) {
		l, u2 := j.entered(what)
		return l * j.UsedKgM3 / 1000, math.Sqrt(u2) * j.UsedKgM3 / 1000
	}
	in.SpilledKg, in.SpilledUKg = kg(EnterSpilled)
	in.RetainedKg, in.RetainedUKg = kg(EnterRetained)
	if e, ok := j.last(EnterLevel); ok {
		in.LevelCorrectionL, in.LevelCorrectionUL = e.L, e.UL
	}
	return in.Plan()
}

// weighedUKg is the standard uncertainty of an account's mass, without its
// fluid's density.
func (s *State) weighedUKg(t Tally, withoutSlope bool) float64 {
	var b Budget
	for _, term := range s.Budget(t) {
		if term.Name != "density of the fluid" && !(withoutSlope && term.Name == "slope of the scale") {
			b = append(b, term)
		}
	}
	return math.Sqrt(b.U2()) * s.kgM3(t) / 1000
}
