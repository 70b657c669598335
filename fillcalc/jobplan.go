package fillcalc

import "math"

// Plan returns the job's fill plan at the state's time. It returns an error while
// drained or added is not known.
func (s *State) Plan() (Plan, error) { return s.planTo(s.Job.engineRan()) }

// WholePlan is Plan with the target as its aim, even if the engine never ran.
func (s *State) WholePlan() (Plan, error) { return s.planTo(true) }

func (s *State) planTo(engineHasRun bool) (Plan, error) {
	j := &s.Job
	spec := &j.Spec
	v := s.Volumes()
	in := PlanInput{
		Used: spec.Used, Fresh: spec.Fresh, ReferenceC: j.ReferenceC,
		CheckC: (spec.LowC + spec.HighC) / 2,
		// The level may be judged anywhere in the window: a rectangle (GUM 4.3.7).
		CheckUC:   (spec.HighC - spec.LowC) / 2 / math.Sqrt(3),
		DrainedKg: v.DrainedKg, AddedKg: v.AddedKg,
		OverflowKg: s.shownKg(OverflowTally) * j.FreshFactor,
		FirstFill:  spec.FirstFill, EngineHasRun: engineHasRun,
		StillDraining: j.Phase == Ready || j.Phase == Draining,
		BottleL:       spec.BottleL, TypicalL: spec.TypicalL, TotalL: spec.TotalL,
	}
	if !math.IsNaN(v.CaddyFreeL) {
		in.CaddyFreeL = v.CaddyFreeL
	}
	if s.ScaleN == 1 && s.Scales[0].Setup.Load == BothLoad {
		in.SharedGainU = s.Scales[0].Setup.gainU(s.NowNs)
	}
	in.DrainedBeforeKg, in.InBeforeKg = s.beforeKg()
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
	p, err := in.Plan()
	if lostL, _, _ := s.RunsOut(); err == nil && lostL > nearLineL {
		p.Notes = append(p.Notes, Text{Key: NoteRanOut, Figures: figures{"lost_l": lostL}})
	}
	return p, err
}

// weighedUKg returns the standard uncertainty of an account's mass in kg, without
// the terms for the density of the fluid and, on request, the slope of the scale.
func (s *State) weighedUKg(t Tally, withoutSlope bool) float64 {
	var b Budget
	for _, term := range s.Budget(t) {
		if term.Name != "density_fluid" && !(withoutSlope && term.Name == "slope") {
			b = append(b, term)
		}
	}
	return math.Sqrt(b.U2()) * s.kgM3(t) / 1000
}

// aimShare is where the level should stand between the marks: in the middle of
// the upper half, so that neither the reading nor the temperature carries it past
// a mark (common practice, no source).
const aimShare = 0.75

// TopUp returns how much the last dipstick reading asks for, in litres at the
// reference temperature, and its expanded uncertainty (k = 2). A negative amount
// is to be drawn off. ok is false if there is no reading, or if the service data
// do not give the distance between the marks. The error says why a reading cannot
// be used.
func (s *State) TopUp() (litres, expandedL float64, ok bool, err error) {
	j := &s.Job
	e, ok := j.last(EnterDipstick)
	if !ok || j.Spec.BetweenMarksL == 0 {
		return 0, 0, false, nil
	}
	marksC := (j.Spec.LowC + j.Spec.HighC) / 2
	readC := e.readC(marksC)
	if readC >= j.Spec.LowC && readC <= j.Spec.HighC && j.Spec.TotalL == 0 {
		readC = marksC // without the capacity: the marks hold for the whole window
	}
	litres, u, err := Dipstick{BetweenMarksL: j.Spec.BetweenMarksL, MarksC: marksC, TotalL: j.Spec.TotalL}.
		TopUpL(j.Spec.Fresh, e.Share, aimShare, readC, j.ReferenceC)
	return litres, 2 * u, err == nil, err
}

// readC is the temperature at which the dipstick was read, or another one if it is not known.
func (e *Entry) readC(otherwiseC float64) float64 {
	if e.TempC == nil {
		return otherwiseC
	}
	return *e.TempC
}

// DipstickNote says why the last dipstick reading cannot be used; ok is false if it can.
func (s *State) DipstickNote() (note Text, ok bool) {
	_, _, _, err := s.TopUp()
	e, _ := s.Job.last(EnterDipstick)
	f := figures{"read_c": e.readC(math.NaN()), "low_c": s.Job.Spec.LowC, "high_c": s.Job.Spec.HighC}
	return Text{Key: "note.dipstick", Figures: f}, err != nil
}
