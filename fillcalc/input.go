package fillcalc

import (
	"errors"
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
	DoGear:     {needsJob: true, check: checkGear, apply: applyGear},
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
		return notOneOf("do", in.Do, slices.Sorted(maps.Keys(inputs))...)
	}
	if kind.needsJob {
		if err := needJob(s); err != nil {
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

func needJob(s *State) error {
	if !s.Job.Phase.Open() {
		return refused("do", "refuse.no_job", nil, nil)
	}
	return nil
}

func checkStart(_ *State, in *Input) error {
	if in.Setup == nil {
		return errors.New("setup: is required")
	}
	return in.Setup.check()
}

func checkOpen(s *State, in *Input) error {
	if s.Job.Phase.Open() {
		return refused("do", "refuse.job_open", nil, names{"job": s.Job.Spec.ID})
	}
	if in.Job == nil {
		return errors.New("job: is required")
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
		return notOneOf("phase", in.Phase, Draining, Service, Filling, Running, Checking)
	}
	if err := needJob(s); err != nil {
		return err
	}
	if early := s.tooEarly(in.Phase); early != nil && in.Why == "" {
		return early
	}
	if in.Engine != "" && (in.Engine != EngineRan && in.Engine != EngineNotRun || !j.Phase.runs() || in.Phase.runs()) {
		return refused("engine", "refuse.engine", nil, nil)
	}
	if len(j.Phases) >= maxEntries {
		return tooMany("phase")
	}
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.N == 0 && counts(sc.Setup.Load, in.Phase) && !counts(sc.Setup.Load, j.Phase) {
			return refused("phase", "refuse.not_heard", nil, names{"scale": string(sc.Setup.Load)})
		}
	}
	if in.Phase == j.Phase {
		return refused("phase", "refuse.is_phase", nil, names{"phase": string(in.Phase)})
	}
	if !j.turns() {
		return refused("phase", "refuse.turns", nil, nil)
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

func checkBaseline(s *State, in *Input) error {
	p := s.Job.Phase
	switch outL := s.changeL(s.shownKg(DrainedTally), DrainedTally); {
	case p != Ready && p != Draining:
		return refused("do", "refuse.baseline", nil, names{"phase": string(p)})
	case len(s.Job.PassMarks) > 0:
		return refused("do", "refuse.baseline_pass", nil, nil)
	case p == Draining && outL > nearLineL && in.Why == "":
		return askBack("do", "refuse.forgets", figures{"out_l": outL}, nil)
	}
	return nil
}

func applyBaseline(s *State, in *Input) {
	if in.Why != "" {
		s.Job.Forgot = append(slices.Clone(s.Job.Forgot), Forgot{s.changeL(s.shownKg(DrainedTally), DrainedTally), s.NowNs, in.By, in.Why})
	}
	s.Job.Ledgers, s.Job.Changes, s.Job.Clears = [2]Ledger{}, nil, nil
	s.turnTo(s.Job.Phase)
	s.resetTail()
}

func checkEnter(s *State, in *Input) error {
	if in.Entry == nil {
		return errors.New("what: is required")
	}
	if len(s.Job.Entries) >= maxEntries {
		return tooMany("do")
	}
	if err := s.checkEntry(in.Entry); err != nil {
		return err
	}
	if err := s.enteredTwice(in); err != nil {
		return err
	}
	return s.outDoubtful(in)
}

func applyEnter(s *State, in *Input) {
	e := *in.Entry
	e.AtNs, e.By, e.Why = s.NowNs, in.By, in.Why
	if u := AssumedUL(e.What, e.L); e.UL == 0 && u > 0 {
		e.UL, e.Assumed = u, true
	}
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
		return errors.New("item: is required")
	}
	if len(s.Job.Records)+len(in.Items) >= maxEntries {
		return tooMany("do")
	}
	for _, r := range in.records() {
		if err := r.check(); err != nil {
			return err
		}
		if err := s.checkLate(&r); err != nil {
			return err
		}
		if err := s.levelDoubtful(&r); err != nil && in.Why == "" {
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

// unread refuses to close while a scale that counts cannot be read.
func (s *State) unread() error {
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if fault := s.scaleQuality(sc); !fault.Good() && counts(sc.Setup.Load, s.Job.Phase) {
			return askBack("do", "refuse.fault", nil, names{"scale": string(sc.Setup.Load), "fault": string(fault.Code)})
		}
	}
	return s.checkStands("", s.Job.Phase)
}

func checkClose(s *State, in *Input) error {
	if err := s.unread(); err != nil && in.Why == "" {
		return err
	}
	for i := range s.Job.Changes {
		if c := &s.Job.Changes[i]; c.Asks() {
			return refused("change", "refuse.say_first", figures{"change": float64(c.ID), "change_kg": c.Kg}, names{"sensor": c.Sensor})
		}
	}
	return nil
}

func applyClose(s *State, in *Input) {
	s.Job.Why, s.Job.Unread, s.Job.Lacked = in.Why, s.unread() != nil, in.Why != "" && s.CloseLacks() != nil
	s.turnTo(Closed)
	s.chart()
	s.Job.Phases = append(slices.Clone(s.Job.Phases), PhaseAt{Phase: Closed, AtNs: s.NowNs, By: in.By})
}

func applyAbandon(s *State, in *Input) {
	s.Job.Why = in.Why
	s.turnTo(Abandoned)
}

// Forgot is what a job had counted when somebody insisted on a baseline.
type Forgot struct {
	L    float64
	AtNs int64
	By   string
	Why  string
}
