package fillcalc

import (
	"fmt"
	"maps"
	"math"
	"slices"
)

// inputKind says what an input needs and what it does.
type inputKind struct {
	needsJob bool
	check    func(*State, *Input) error // what else must hold; nil: nothing
	apply    func(*State, *Input)       // nil: nothing changes but the time
}

// inputs has a row for each input.
var inputs = map[Do]inputKind{
	DoTick:     {},
	DoClock:    {apply: func(s *State, in *Input) { s.Clock = in.Clock }},
	DoStart:    {check: checkStart, apply: func(s *State, in *Input) { s.start(in.Setup) }},
	DoOpen:     {check: checkOpen, apply: applyOpen},
	DoPhase:    {check: checkPhase, apply: applyPhase},
	DoBaseline: {needsJob: true, check: checkBaseline, apply: applyBaseline},
	DoDecide:   {needsJob: true, check: checkDecide, apply: applyDecide},
	DoCleared:  {needsJob: true, check: checkCleared, apply: applyCleared},
	DoEnter:    {needsJob: true, check: checkEnter, apply: applyEnter},
	DoRecord:   {needsJob: true, check: checkRecord, apply: applyRecord},
	DoGear:     {check: checkGear, apply: func(s *State, in *Input) { s.shift(in.Gear) }},
	DoWeigh:    {check: checkWeighing, apply: func(s *State, in *Input) { s.startWeighing(in.Weighing) }},
	DoDensity:  {check: checkWeighing, apply: func(s *State, in *Input) { s.addMeasured(in.Weighing) }},
	DoClose:    {needsJob: true, check: checkClose, apply: applyClose},
	DoAbandon:  {needsJob: true, apply: applyAbandon},
}

// Check returns an error if an input cannot be done now. The error names the
// input's field and says what would be right.
func Check(s *State, in *Input) error {
	kind, known := inputs[in.Do]
	if !known {
		return fmt.Errorf("do: %q is not one of %s", in.Do, listed(slices.Sorted(maps.Keys(inputs))))
	}
	if kind.needsJob {
		if err := needJob(s, in); err != nil {
			return err
		}
	}
	if kind.check == nil {
		return nil
	}
	return kind.check(s, in)
}

// applyInput does an input that can be done. The state moves to the heap here and not
// in Apply: a reading allocates nothing.
func applyInput(s State, in *Input) State {
	if Check(&s, in) != nil {
		return s
	}
	if apply := inputs[in.Do].apply; apply != nil {
		apply(&s, in)
	}
	return s
}

// listed joins the words of a closed list.
func listed[T ~string](words []T) string {
	text := ""
	for i, w := range words {
		if i > 0 {
			text += ", "
		}
		text += string(w)
	}
	return text
}

func needJob(s *State, in *Input) error {
	if !s.Job.Phase.Open() {
		return fmt.Errorf("do: %q needs an open job: send open first", in.Do)
	}
	return nil
}

func checkStart(_ *State, in *Input) error {
	if in.Setup == nil {
		return fmt.Errorf("setup: is required")
	}
	return in.Setup.check()
}

func checkOpen(s *State, in *Input) error {
	if s.Job.Phase.Open() {
		return fmt.Errorf("do: job %s is still open: close or abandon it first", s.Job.Spec.ID)
	}
	if in.Job == nil {
		return fmt.Errorf("job: is required")
	}
	referenceC := s.Setup.ReferenceC
	if in.Setup != nil {
		if err := in.Setup.check(); err != nil {
			return err
		}
		referenceC = in.Setup.ReferenceC
	}
	return in.Job.check(referenceC)
}

// applyOpen begins a job. It follows from its own events only, so that an audit does
// not need the events before it was opened.
func applyOpen(s *State, in *Input) {
	s.Clock = in.Clock
	setup, levels := in.Setup, in.Levels
	if setup == nil {
		setup, levels = &s.Setup, s.Levels()
	}
	s.Scales, s.ScaleN = [2]Scale{}, 0
	s.start(setup)
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		for _, l := range levels {
			if l.Sensor == sc.Setup.Sensor {
				sc.Follow, sc.Anchored = following, true
				sc.AnchorKg, sc.LevelKg, sc.SlowKg, sc.LastNs = l.Kg, l.Kg, l.Kg, s.NowNs
			}
		}
	}
	// Check has found no error in either density.
	used, _ := in.Job.Used.Density(s.Setup.ReferenceC)
	fresh, _ := in.Job.Fresh.Density(s.Setup.ReferenceC)
	s.Job = Job{
		Spec: *in.Job, OpenedNs: s.NowNs, ReferenceC: s.Setup.ReferenceC,
		UsedKgM3: used, FreshKgM3: fresh,
		UsedFactor:  BuoyancyFactor(used, s.Setup.AirKgM3),
		FreshFactor: BuoyancyFactor(fresh, s.Setup.AirKgM3),
	}
	s.turnTo(Ready)
	s.Job.Phases = []PhaseAt{{Ready, s.NowNs, in.By, ""}}
	s.Window = Window{State: Blind, Due: Blind, DueNs: s.NowNs}
}

func checkPhase(s *State, in *Input) error {
	j := &s.Job
	switch in.Phase {
	case Draining, Service, Filling, Running, Checking:
	default:
		return fmt.Errorf("phase: %q is not one of draining, service, filling, running, checking", in.Phase)
	}
	if err := needJob(s, in); err != nil {
		return err
	}
	if early := s.tooEarly(in.Phase); early != "" && in.Why == "" {
		return fmt.Errorf("phase: %s: pour first, or give a reason (why)", early)
	}
	if len(j.Phases) >= maxEntries {
		return fmt.Errorf("phase: this job has changed its phase %d times already, no job needs more", maxEntries)
	}
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; !sc.Anchored && counts(sc.Setup.Load, in.Phase) && !counts(sc.Setup.Load, j.Phase) {
			return fmt.Errorf("phase: scale %s has not settled yet, what comes now would not be counted: wait until its weight stands still, or check its cable", sc.Setup.Sensor)
		}
	}
	return nil
}

func applyPhase(s *State, in *Input) {
	if in.Phase == Draining && s.Job.Phase != Service {
		s.resetTail()
	}
	s.turnTo(in.Phase)
	s.shift("")
	s.Job.Phases = append(slices.Clone(s.Job.Phases), PhaseAt{in.Phase, s.NowNs, in.By, in.Why})
	s.Job.EngineRan = s.Job.EngineRan || in.Phase == Running || in.Phase == Checking
}

func checkBaseline(s *State, _ *Input) error {
	if p := s.Job.Phase; p != Ready && p != Draining {
		return fmt.Errorf("do: baseline is possible before and during draining only, this job is %s: what it has counted would be lost", p)
	}
	return s.checkDecided("baseline")
}

func applyBaseline(s *State, _ *Input) {
	s.turnTo(s.Job.Phase)
	s.Job.Drained, s.Job.Added, s.Job.Overflow = Account{}, Account{}, Account{}
	s.begin()
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.Lying != [len(sc.Lying)]float64{} {
			sc.Vague = true // what has left of it so far is in no tally
		}
	}
	s.Job.StepsBefore = len(s.Job.Steps)
	s.resetTail()
}

func checkCleared(s *State, in *Input) error {
	j := &s.Job
	sc := s.scale(in.Sensor)
	if sc == nil {
		return fmt.Errorf("sensor: this cart has no scale %q", in.Sensor)
	}
	if sc.Follow == held && sc.HeldCounts && !s.silent(sc) {
		return fmt.Errorf("do: scale %s has not settled: send it again when its weight stands still", in.Sensor)
	}
	objects, _ := j.unpaired(in.Sensor)
	hid := j.mayHide(sc, objects)
	if in.Before != nil {
		hid = j.mayHideLaid(sc)
	}
	if in.Unseen != "" && !slices.Contains(hid, in.Unseen) {
		return fmt.Errorf("unseen: %q: on scale %s only %v is possible", in.Unseen, in.Sensor, hid)
	}
	if in.Before != nil && s.LaidBeforeKg(in.Sensor) == 0 {
		return fmt.Errorf("before: no object from before the count is still unexplained on scale %s", in.Sensor)
	}
	for _, step := range j.Steps[j.StepsBefore:] {
		if step.Sensor == in.Sensor && step.As == "" {
			return fmt.Errorf("do: say what step %d on scale %s was before you say that it is cleared", step.ID, step.Sensor)
		}
	}
	return nil
}

func applyCleared(s *State, in *Input) {
	s.Job.Steps = slices.Clone(s.Job.Steps)
	if sc := s.scale(in.Sensor); in.Before != nil {
		s.Job.clearLaid(sc, *in.Before, in.Unseen)
	} else {
		s.Job.clear(sc, in.Unseen)
	}
}

func checkEnter(s *State, in *Input) error {
	if in.Entry == nil {
		return fmt.Errorf("what: is required")
	}
	if len(s.Job.Entries) >= maxEntries {
		return fmt.Errorf("do: this job has %d entries already, no job needs more", maxEntries)
	}
	return s.Job.checkEntry(in.Entry)
}

func applyEnter(s *State, in *Input) {
	e := *in.Entry
	e.AtNs, e.By = s.NowNs, in.By
	if w := s.CheckWindow(); !math.IsNaN(w.TempC) {
		e.TempC = &w.TempC
	}
	s.Job.Entries = append(slices.Clone(s.Job.Entries), e)
}

func checkRecord(s *State, in *Input) error {
	if in.Record == nil {
		return fmt.Errorf("item: is required")
	}
	if len(s.Job.Records) >= maxEntries {
		return fmt.Errorf("do: this job has %d records already, no job needs more", maxEntries)
	}
	return in.Record.check()
}

func applyRecord(s *State, in *Input) {
	r := *in.Record
	if r.Item == Torque && r.SpecifiedNM == 0 {
		r.SpecifiedNM = s.Job.Spec.BoltTorqueNM
	}
	s.record(r, in.By)
}

func checkGear(s *State, in *Input) error {
	if s.Job.Phase != Running {
		return fmt.Errorf("do: gears are worked in the phase running, this job is %q", s.Job.Phase)
	}
	if len(in.Gear) > 8 || len(s.Job.Gears) >= maxEntries {
		return fmt.Errorf("gear: %.20q is not a gear's name of at most 8 bytes, or too many were recorded", in.Gear)
	}
	return nil
}

func checkWeighing(s *State, in *Input) error { return s.checkWeighing(in.Do, in.Weighing) }

func checkClose(s *State, in *Input) error {
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if sc.Follow == held && sc.HeldCounts && !s.silent(sc) && !sc.Faults.Hidden() {
			return fmt.Errorf("do: scale %s has not settled: close when its weight stands still", sc.Setup.Sensor)
		}
		if fault := s.scaleQuality(sc); !fault.Good() && in.Why == "" && counts(sc.Setup.Load, s.Job.Phase) {
			return fmt.Errorf("do: %s, fluid that came meanwhile would not be counted: repair it, or close with a reason (why)", fault)
		}
	}
	return s.checkDecided("close")
}

func applyClose(s *State, in *Input) {
	s.Job.Why = in.Why
	s.Job.Laid = s.laid()
	s.turnTo(Closed)
	s.Job.Phases = append(slices.Clone(s.Job.Phases), PhaseAt{Closed, s.NowNs, in.By, ""})
}

func applyAbandon(s *State, in *Input) {
	s.Job.Why = in.Why
	s.turnTo(Abandoned)
}
