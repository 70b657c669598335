package fillcalc

import (
	"fmt"
	"maps"
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
	DoAnswer:   {needsJob: true, check: checkAnswer, apply: applyAnswer},
	DoClear:    {needsJob: true, check: checkClear, apply: applyClear},
	DoEnter:    {needsJob: true, check: checkEnter, apply: applyEnter},
	DoRecord:   {needsJob: true, check: checkRecord, apply: applyRecord},
	DoUndo:     {needsJob: true, check: checkUndo, apply: applyUndo},
	DoGear:     {check: checkGear, apply: applyGear},
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
	apply := inputs[in.Do].apply
	if apply == nil {
		return s
	}
	if in.By == "" && s.Job.Phase.Open() {
		signed := *in
		signed.By = s.Job.By
		in = &signed
	}
	before := s
	apply(&s, in)
	s.undoable(&before, in)
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
		return refused("do", "refuse.job_open", nil, names{"job": s.Job.Spec.ID})
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
	setup := in.Setup
	if setup == nil {
		setup = &s.Setup
	}
	s.Scales, s.ScaleN = [2]Scale{}, 0
	s.start(setup)
	// Check has found no error in either density.
	used, _ := in.Job.Used.Density(s.Setup.ReferenceC)
	fresh, _ := in.Job.Fresh.Density(s.Setup.ReferenceC)
	s.Job = Job{
		Spec: *in.Job, OpenedNs: s.NowNs, By: in.By, ReferenceC: s.Setup.ReferenceC,
		UsedKgM3: used, FreshKgM3: fresh,
		UsedFactor:  BuoyancyFactor(used, s.Setup.AirKgM3),
		FreshFactor: BuoyancyFactor(fresh, s.Setup.AirKgM3),
	}
	s.Job.weighEmpty()
	s.Job.fit(&s.Setup)
	s.rewatch()
	s.turnTo(Ready)
	s.Job.Phases = []PhaseAt{{Phase: Ready, AtNs: s.NowNs, By: in.By}}
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
	if early := s.tooEarly(in.Phase); early != nil && in.Why == "" {
		return early
	}
	if in.Engine != "" && (in.Engine != EngineRan && in.Engine != EngineNotRun || !j.Phase.runs() || in.Phase.runs()) {
		return fmt.Errorf("engine: it is ran or not_run, and belongs to a phase to which the job goes back from running or checking")
	}
	if len(j.Phases) >= maxEntries {
		return fmt.Errorf("phase: this job has changed its phase %d times already, no job needs more", maxEntries)
	}
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.N == 0 && counts(sc.Setup.Load, in.Phase) && !counts(sc.Setup.Load, j.Phase) {
			return refused("phase", "refuse.not_heard", nil, names{"sensor": sc.Setup.Sensor})
		}
	}
	if in.Phase == j.Phase {
		return refused("phase", "refuse.is_phase", nil, names{"phase": string(in.Phase)})
	}
	if !j.turns() {
		return fmt.Errorf("phase: this job has changed between draining and filling too often: close it and open another")
	}
	if in.Phase == Service || in.Phase == Filling {
		return s.checkStill(in.Phase)
	}
	return nil
}

// checkStill refuses a phase that begins with a weighing while a scale does not stand still.
func (s *State) checkStill(phase Phase) error {
	for i := range s.Scales[:s.ScaleN] {
		if _, runs := s.begun(i); runs && phase == Filling {
			continue // it will not stand still: the phase counts from before the stream
		}
		if err := s.checkStands(s.Scales[i].Setup.Sensor, phase); err != nil {
			return err
		}
	}
	return nil
}

func applyPhase(s *State, in *Input) {
	if in.Phase == Draining && s.Job.Phase != Service {
		s.resetTail()
	}
	if in.Phase == Draining {
		s.beginPass(in)
	}
	var seen [2]bool
	for i := range s.Scales[:s.ScaleN] {
		_, seen[i] = s.begun(i)
	}
	s.turnTo(in.Phase)
	s.countFrom(seen)
	if in.Phase == Service || in.Phase == Filling {
		s.clear("", in.By)
	}
	s.shift("")
	s.Job.Past = nil
	s.Job.Phases = append(slices.Clone(s.Job.Phases), PhaseAt{in.Phase, s.NowNs, in.By, in.Why, in.Engine})
}

func checkBaseline(s *State, _ *Input) error {
	if p := s.Job.Phase; p != Ready && p != Draining {
		return fmt.Errorf("do: baseline is possible before and during draining only, this job is %s: what it has counted would be lost", p)
	}
	if len(s.Job.PassMarks) > 0 {
		return fmt.Errorf("do: baseline belongs to the first draining: what this job has counted before would be lost")
	}
	return nil
}

func applyBaseline(s *State, _ *Input) {
	s.Job.Ledgers, s.Job.Changes, s.Job.Clears = [2]Ledger{}, nil, nil
	s.turnTo(s.Job.Phase)
	s.resetTail()
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
	e.AtNs, e.By, e.Why = s.NowNs, in.By, in.Why
	e.TempC = known(s.CheckWindow().TempC)
	if e.What == EnterDipstick || e.What == EnterOpening {
		now := s.moment()
		e.AddedL, e.AgainL = now.AddedL, now.AgainL
	}
	s.Job.Entries = append(slices.Clone(s.Job.Entries), e)
	if e.What == EnterFlush {
		s.meant()
	}
}

func checkRecord(s *State, in *Input) error {
	if in.Record == nil {
		return fmt.Errorf("item: is required")
	}
	if len(s.Job.Records)+len(in.Items) >= maxEntries {
		return fmt.Errorf("do: this job has %d records already, no job needs more", maxEntries)
	}
	for _, r := range in.records() {
		if err := r.check(); err != nil {
			return err
		}
		if err := s.checkLate(&r); err != nil {
			return err
		}
		if err := s.twice(&r); err != nil {
			return err
		}
	}
	return nil
}

func applyRecord(s *State, in *Input) {
	for _, r := range in.records() {
		r.Why = in.Why
		if r.Item == Torque && r.SpecifiedNM == 0 {
			r.SpecifiedNM = s.Job.Spec.BoltTorqueNM
		}
		s.record(r, in.By)
	}
}

func checkWeighing(s *State, in *Input) error { return s.checkWeighing(in.Do, in.Weighing) }

func checkClose(s *State, in *Input) error {
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if fault := s.scaleQuality(sc); !fault.Good() && in.Why == "" && counts(sc.Setup.Load, s.Job.Phase) {
			return &Refusal{Field: "do", Text: Text{"refuse.fault", nil, names{"sensor": sc.Setup.Sensor, "fault": string(fault.Code)}}, Insist: true}
		}
	}
	if in.Why == "" {
		if err := s.checkStands("", s.Job.Phase); err != nil {
			return err
		}
	}
	for i := range s.Job.Changes {
		if c := &s.Job.Changes[i]; c.Asks() {
			return refused("change", "refuse.say_first", figures{"change": float64(c.ID), "change_kg": c.Kg}, names{"sensor": c.Sensor})
		}
	}
	return nil
}

func applyClose(s *State, in *Input) {
	s.Job.Why = in.Why
	s.turnTo(Closed)
	s.chart()
	s.Job.Phases = append(slices.Clone(s.Job.Phases), PhaseAt{Phase: Closed, AtNs: s.NowNs, By: in.By})
}

func applyAbandon(s *State, in *Input) {
	s.Job.Why = in.Why
	s.turnTo(Abandoned)
}
