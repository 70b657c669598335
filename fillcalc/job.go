package fillcalc

import (
	"fmt"
	"math"
	"slices"
)

// FoldVersion is the version of the fold. From the first release on it rises
// whenever the same events give other figures than before, so that an audit can tell
// this from a change of the events. See "Changing the fold" in the package's
// documentation.
const FoldVersion = 1

// State is everything that the fold knows about a cart. It is a value: [Apply]
// returns a new one and leaves the old one unchanged. It survives encoding as JSON
// without the loss of a bit.
type State struct {
	Seq        uint64 // of the last event
	NowNs      int64  // its time
	Setup      Setup
	Scales     [2]Scale
	ScaleN     int
	Probe      Probe // in the transmission; see [State.CheckWindow]
	CaddyProbe Probe
	Coolant    Probe
	Window     Window // valid while a job is open
	Job        Job
	Tail       Tail // of the drain
	Weighed    Weighed
	Clock      *Clock  // nil if nothing is wrong with it
	Measured   []Fluid // fluids whose density was measured on this cart; never changed in place
}

// Job is the open job, or the last one.
type Job struct {
	Spec     JobSpec
	Phase    Phase
	OpenedNs int64
	PhaseNs  int64 // when the phase began
	Why      string
	Drained  Account
	Added    Account
	Overflow Account // what ran out again while the level was judged at an opening
	Steps    []Step  // in the order of their detection; never changed in place
	// StepsBefore counts the steps that came before the baseline.
	StepsBefore int
	Entries     []Entry   // never changed in place
	Records     []Record  // never changed in place
	Gears       []Gear    // never changed in place
	Phases      []PhaseAt // never changed in place
	EngineRan   bool
	Laid        []Level // at the end of the job: what was laid on a scale before it counted and was not seen to leave

	// Computed once when the job is opened, so that a change of the cart's setup does
	// not change the meaning of its litres.
	ReferenceC              float64
	UsedKgM3, FreshKgM3     float64 // density at the reference temperature
	UsedFactor, FreshFactor float64 // mass over shown weight
}

// Apply is the fold: it returns the state after an event. It reads no clock, does
// no I/O, and allocates nothing for a reading. An event that does not fit (an
// unknown sensor, a command that [Check] refuses) changes only the sequence number
// and the time, so that a journal of another version can still be replayed.
func Apply(s State, e Event) State {
	s.Seq, s.NowNs = e.Seq, e.AtNs
	switch e.Kind {
	case KindWeight:
		for i := range s.Scales[:s.ScaleN] {
			if sc := &s.Scales[i]; sc.Setup.Sensor == e.Sensor {
				sc.Faults, sc.FrameNs = e.Faults, e.AtNs
				if !e.Faults.Hidden() {
					s.weigh(i, e.AtNs, sc.Setup.correct(e.Value))
					if sc.Setup.Load != SupplyLoad && (s.Job.Phase == Draining || s.Job.Phase == Service) {
						s.Tail.add(e.AtNs, s.shownKg(DrainedTally))
					}
				}
				break
			}
		}
	case KindTemperature:
		for _, p := range [...]*Probe{&s.Probe, &s.CaddyProbe, &s.Coolant} {
			if p.Sensor == e.Sensor {
				p.read(e)
			}
		}
		if p, _ := s.fluidProbe(); p.Sensor == e.Sensor {
			s.updateWindow()
		}
	case KindInput:
		if e.Input != nil && Check(&s, e.Input) == nil {
			s.input(e.Input)
		}
	}
	return s
}

func (s *State) input(in *Input) {
	switch in.Do {
	case DoStart:
		s.start(in.Setup)
	case DoClock:
		s.Clock = in.Clock
	case DoOpen:
		s.Clock = in.Clock
		// A job follows from its own events only, so that an audit does not need the
		// events before it was opened.
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
	case DoPhase:
		if in.Phase == Draining && s.Job.Phase != Service {
			s.resetTail()
		}
		s.turnTo(in.Phase)
		s.shift("")
		s.Job.Phases = append(slices.Clone(s.Job.Phases), PhaseAt{in.Phase, s.NowNs, in.By, in.Why})
		s.Job.EngineRan = s.Job.EngineRan || in.Phase == Running || in.Phase == Checking
	case DoBaseline:
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
	case DoDecide:
		s.Job.Steps = slices.Clone(s.Job.Steps)
		step := &s.Job.Steps[in.Step-1]
		step.As, step.By = in.As, in.By
		if step.Returns {
			if step.With = step.ID; in.As == AsFluid {
				s.Job.add(DrainedTally, step.Kg)
				s.Job.add(AddedTally, -step.Kg)
			}
			break
		}
		switch in.As {
		case AsFluid:
			fluidKg := step.Kg
			if in.Gone > 0 {
				object := &s.Job.Steps[in.Gone-1]
				fluidKg += object.Kg
				object.With, step.With = step.ID, object.ID
				step.Tally = s.Job.tallyOf(s.scale(step.Sensor).Setup.Load, fluidKg)
			}
			s.Job.add(step.Tally, fluidKg)
			if step.Tally == DrainedTally {
				s.Tail.shift(fluidKg)
			}
		case AsLean:
			// The other end of the push may have been held too; if not, it was counted as
			// drained fluid. Nothing is known yet about a push that has not ended.
			sc := s.scale(step.Sensor)
			if sc == nil {
				break
			}
			if s.Job.match(sc, step.ID); step.With != 0 {
				break
			}
			switch {
			case step.Kg < 0 && !s.Job.endsLean(sc, step):
				// Its beginning was counted as drained, or slowed the pour.
				s.Job.add(s.Job.streamAt(sc, step.FromNs-leanNs/2), step.Kg)
			case step.Kg > 0 && s.Job.hasEnded(sc, step):
			case step.Kg > 0 && s.Job.streamOf(sc.Setup.Load) == AddedTally:
				// Its end will look like a pour, unless it is held.
				s.Job.add(AddedTally, step.Kg)
				step.With = step.ID
			}
		case AsObject, AsPan:
			if sc := s.scale(step.Sensor); sc != nil {
				s.Job.rematch(sc)
			}
		case AsBefore:
			if sc := s.scale(step.Sensor); sc != nil {
				s.Job.wasBefore(sc, step)
			}
		}
	case DoCleared:
		s.Job.Steps = slices.Clone(s.Job.Steps)
		if sc := s.scale(in.Sensor); in.Before != nil {
			s.Job.clearLaid(sc, *in.Before, in.Unseen)
		} else {
			s.Job.clear(sc, in.Unseen)
		}
	case DoEnter:
		e := *in.Entry
		e.AtNs, e.By = s.NowNs, in.By
		if w := s.CheckWindow(); !math.IsNaN(w.TempC) {
			e.TempC = &w.TempC
		}
		s.Job.Entries = append(slices.Clone(s.Job.Entries), e)
	case DoRecord:
		r := *in.Record
		if r.Item == Torque && r.SpecifiedNM == 0 {
			r.SpecifiedNM = s.Job.Spec.BoltTorqueNM
		}
		s.record(r, in.By)
	case DoGear:
		s.shift(in.Gear)
	case DoWeigh:
		s.startWeighing(in.Weighing)
	case DoDensity:
		s.addMeasured(in.Weighing)
	case DoClose:
		s.Job.Why = in.Why
		s.Job.Laid = s.laid()
		s.turnTo(Closed)
		s.Job.Phases = append(slices.Clone(s.Job.Phases), PhaseAt{Closed, s.NowNs, in.By, ""})
	case DoAbandon:
		s.Job.Why = in.Why
		s.turnTo(Abandoned)
	}
}

// Runs returns a scale that counts and on which fluid still runs, so that closing
// the job now would lose some of it; empty if there is none.
func (s *State) Runs() (sensor string) {
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.runs() && counts(sc.Setup.Load, s.Job.Phase) && !s.silent(sc) {
			return sc.Setup.Sensor
		}
	}
	return ""
}

// Levels returns the levels of all scales that have settled and are not silent.
// They go into the event that opens a job.
func (s *State) Levels() (levels []Level) {
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.Follow == following && !s.silent(sc) {
			levels = append(levels, Level{sc.Setup.Sensor, sc.LevelKg})
		}
	}
	return levels
}

func (s *State) resetTail() {
	for i := range s.Scales[:s.ScaleN] {
		if setup := &s.Scales[i].Setup; setup.Load != SupplyLoad {
			s.Tail.reset(s.NowNs, setup.ResolutionKg)
		}
	}
}

// start adopts a setup. A scale with the same sensor and load keeps its last
// level, so that a change during the absence shows.
func (s *State) start(setup *Setup) {
	for i := range s.Scales[:s.ScaleN] {
		s.cut(&s.Scales[i])
		s.book(&s.Scales[i])
	}
	old := s.Scales
	oldN := s.ScaleN
	s.Setup = *setup
	s.ScaleN = min(len(setup.Scales), len(s.Scales))
	s.Scales = [2]Scale{}
	for i := range s.ScaleN {
		sc := &s.Scales[i]
		sc.Setup = setup.Scales[i]
		for j := range old[:oldN] {
			if o := &old[j]; o.Anchored && o.Setup.Sensor == sc.Setup.Sensor && o.Setup.Load == sc.Setup.Load {
				// With a new calibration the same load has another weight.
				anchorKg := sc.Setup.correct(o.AnchorKg / o.Setup.correct(1))
				sc.Anchored, sc.AnchorKg, sc.LevelKg, sc.LastNs = true, anchorKg, anchorKg, o.LastNs
				sc.Lying, sc.Vague = o.Lying, o.Vague
				sc.Direction, sc.HeldCounts = o.Direction, counts(o.Setup.Load, s.Job.Phase)
			}
		}
	}
	s.Probe, s.CaddyProbe, s.Coolant = Probe{ProbeSetup: setup.Probe}, Probe{ProbeSetup: setup.CaddyProbe}, Probe{ProbeSetup: setup.Coolant}
	s.Weighed = Weighed{}
}

// Check returns an error if an input cannot be done now. The error names the
// input's field and says what would be right.
func Check(s *State, in *Input) error {
	j := &s.Job
	needsJob := func() error {
		if !j.Phase.Open() {
			return fmt.Errorf("do: %q needs an open job: send open first", in.Do)
		}
		return nil
	}
	switch in.Do {
	case DoTick, DoClock:
		return nil
	case DoStart:
		if in.Setup == nil {
			return fmt.Errorf("setup: start needs one")
		}
		return in.Setup.check()
	case DoOpen:
		if j.Phase.Open() {
			return fmt.Errorf("do: job %s is still open: close or abandon it first", j.Spec.ID)
		}
		if in.Job == nil {
			return fmt.Errorf("job: open needs one")
		}
		referenceC := s.Setup.ReferenceC
		if in.Setup != nil {
			if err := in.Setup.check(); err != nil {
				return err
			}
			referenceC = in.Setup.ReferenceC
		}
		return in.Job.check(referenceC)
	case DoPhase:
		switch in.Phase {
		case Draining, Service, Filling, Running, Checking:
		default:
			return fmt.Errorf("phase: %q is not one of draining, service, filling, running, checking", in.Phase)
		}
		if err := needsJob(); err != nil {
			return err
		}
		if early := s.tooEarly(in.Phase); early != "" && in.Why == "" {
			return fmt.Errorf("phase: %s: pour first, or give a why", early)
		}
		if len(j.Phases) >= maxEntries {
			return fmt.Errorf("phase: this job has changed its phase %d times already, no job needs more", maxEntries)
		}
		for i := range s.Scales[:s.ScaleN] {
			if sc := &s.Scales[i]; !sc.Anchored && counts(sc.Setup.Load, in.Phase) && !counts(sc.Setup.Load, j.Phase) {
				return fmt.Errorf("phase: scale %s has not settled yet, what comes now would not be counted: wait until its weight stands still, or see to its cable", sc.Setup.Sensor)
			}
		}
		return nil
	case DoBaseline:
		if err := needsJob(); err != nil {
			return err
		}
		if j.Phase != Ready && j.Phase != Draining {
			return fmt.Errorf("do: baseline belongs to ready or draining, this job is %s: its tally would be lost", j.Phase)
		}
		return s.checkDecided("baseline")
	case DoDecide:
		if err := needsJob(); err != nil {
			return err
		}
		if in.Step < 1 || in.Step > len(j.Steps) {
			return fmt.Errorf("step: %d is not one of this job's %d steps", in.Step, len(j.Steps))
		}
		step := j.Steps[in.Step-1]
		if step.As != "" && !(step.As.object() && step.With == 0 && (in.As == AsLean || in.As == AsBefore)) {
			return fmt.Errorf("step: %d is decided already, as %s", in.Step, step.As)
		}
		if in.Gone != 0 {
			return s.checkGone(&step, in)
		}
		switch in.As {
		case AsFluid, AsObject, AsPan, AsSwap, AsLean:
			return nil
		case AsBefore:
			if step.Kg > 0 {
				return fmt.Errorf("as: step %d made scale %s heavier, what lay there before can only go", in.Step, step.Sensor)
			}
			return nil
		}
		return fmt.Errorf("as: %q is not one of fluid, object, pan, swap, lean, before", in.As)
	case DoCleared:
		if err := needsJob(); err != nil {
			return err
		}
		sc := s.scale(in.Sensor)
		if sc == nil {
			return fmt.Errorf("sensor: this cart has no scale %q", in.Sensor)
		}
		if sc.Follow == held && sc.HeldCounts && !s.silent(sc) {
			return fmt.Errorf("do: scale %s has not settled: say it once it is quiet", in.Sensor)
		}
		objects, _ := j.unpaired(in.Sensor)
		hid := j.mayHide(sc, objects)
		if in.Before != nil {
			hid = j.mayHideLaid(sc)
		}
		if in.Unseen != "" && !slices.Contains(hid, in.Unseen) {
			return fmt.Errorf("unseen: %q: on scale %s it can have been %v", in.Unseen, in.Sensor, hid)
		}
		if in.Before != nil && s.LaidBeforeKg(in.Sensor) == 0 {
			return fmt.Errorf("before: nothing that is still missing was laid on scale %s before it counted", in.Sensor)
		}
		for _, step := range j.Steps[j.StepsBefore:] {
			if step.Sensor == in.Sensor && step.As == "" {
				return fmt.Errorf("do: say what step %d on scale %s was before you say that it is cleared", step.ID, step.Sensor)
			}
		}
		return nil
	case DoClose:
		if err := needsJob(); err != nil {
			return err
		}
		for i := range s.Scales[:s.ScaleN] {
			sc := &s.Scales[i]
			if sc.Follow == held && sc.HeldCounts && !s.silent(sc) && !sc.Faults.Hidden() {
				return fmt.Errorf("do: scale %s has not settled: close once it is quiet", sc.Setup.Sensor)
			}
			if fault := s.scaleQuality(sc); !fault.Good() && in.Why == "" && counts(sc.Setup.Load, j.Phase) {
				return fmt.Errorf("do: %s, what came meanwhile would never be known: see to it, or close with a why", fault)
			}
		}
		return s.checkDecided("close")
	case DoEnter:
		if err := needsJob(); err != nil {
			return err
		}
		if in.Entry == nil {
			return fmt.Errorf("what: enter needs it")
		}
		if len(j.Entries) >= maxEntries {
			return fmt.Errorf("do: this job has %d entries already, no job needs more", maxEntries)
		}
		return j.checkEntry(in.Entry)
	case DoRecord:
		if err := needsJob(); err != nil {
			return err
		}
		if in.Record == nil {
			return fmt.Errorf("item: record needs it")
		}
		if len(j.Records) >= maxEntries {
			return fmt.Errorf("do: this job has %d records already, no job needs more", maxEntries)
		}
		return in.Record.check()
	case DoGear:
		if j.Phase != Running {
			return fmt.Errorf("do: gears are worked in the phase running, this job is %q", j.Phase)
		}
		if len(in.Gear) > 8 || len(j.Gears) >= maxEntries {
			return fmt.Errorf("gear: %.20q is not a gear's name of at most 8 bytes, or too many were recorded", in.Gear)
		}
		return nil
	case DoWeigh, DoDensity:
		return s.checkWeighing(in.Do, in.Weighing)
	case DoAbandon:
		return needsJob()
	}
	return fmt.Errorf("do: %q is not one of open, phase, baseline, decide, enter, record, gear, weigh, density, close, abandon, republish", in.Do)
}

// checkGone returns an error if the object of step in.Gone cannot have left within
// a step that is fluid otherwise.
func (s *State) checkGone(step *Step, in *Input) error {
	if in.As != AsFluid {
		return fmt.Errorf("gone: it belongs to fluid, this step is to be %s", in.As)
	}
	if in.Gone < 1 || in.Gone >= in.Step {
		return fmt.Errorf("gone: %d is not one of the steps before step %d", in.Gone, in.Step)
	}
	object := s.Job.Steps[in.Gone-1]
	sc := s.scale(step.Sensor)
	if sc == nil || object.Sensor != step.Sensor || !object.As.object() || object.With != 0 || object.Kg < 0 {
		return fmt.Errorf("gone: step %d brought no object that still lies on scale %s", object.ID, step.Sensor)
	}
	if fluidKg := step.Kg + object.Kg; fluidKg < 0 && sc.Setup.Load == CaddyLoad || fluidKg > 0 && sc.Setup.Load == SupplyLoad {
		return fmt.Errorf("gone: without the object of step %d this would be %+.3f kg of fluid, which scale %s cannot see", object.ID, fluidKg, step.Sensor)
	}
	return nil
}

// checkDecided returns an error if a step is undecided, which the input named what
// would lose.
func (s *State) checkDecided(what string) error {
	for _, step := range s.Job.Steps[s.Job.StepsBefore:] {
		if step.As == "" {
			return fmt.Errorf("do: %s would lose step %d (%+.3f kg on %s): decide first whether it was fluid, object or swap",
				what, step.ID, step.Kg, step.Sensor)
		}
	}
	return nil
}

func (in *Setup) check() error {
	if len(in.Scales) == 0 || len(in.Scales) > 2 {
		return fmt.Errorf("setup.scales: %d given, a cart has one or two", len(in.Scales))
	}
	for i, sc := range in.Scales {
		if sc.Load != CaddyLoad && sc.Load != SupplyLoad && sc.Load != BothLoad {
			return fmt.Errorf("setup.scales[%d].load: %q is not one of caddy, supply, caddy+supply", i, sc.Load)
		}
		if !(sc.ResolutionKg > 0) || !(sc.MaxFlowKgS > 0) || !(sc.RepeatabilityKg >= 0) || !(sc.GainU >= 0) {
			return fmt.Errorf("setup.scales[%d]: resolution_kg and max_flow_kg_s must be above zero, repeatability_kg and gain_u not below", i)
		}
		if sc.Calibration != nil {
			if err := sc.Calibration.Check(); err != nil {
				return fmt.Errorf("setup.scales[%d].calibration.%w", i, err)
			}
		}
	}
	for _, p := range []struct {
		field string
		ProbeSetup
	}{{"probe", in.Probe}, {"caddy_probe", in.CaddyProbe}, {"coolant", in.Coolant}} {
		if !(p.LagS >= 0 && p.LagS <= 300) {
			return fmt.Errorf("setup.%s.lag_s: %g is not from 0 to 300", p.field, p.LagS)
		}
		if p.Calibration != nil {
			if err := p.Calibration.Check(); err != nil {
				return fmt.Errorf("setup.%s.calibration.%w", p.field, err)
			}
		}
	}
	if !(in.AirKgM3 > 0.5 && in.AirKgM3 < 2) {
		return fmt.Errorf("setup.air_kg_m3: %g is not the density of air (about 1.2)", in.AirKgM3)
	}
	return nil
}

func (in *JobSpec) check(referenceC float64) error {
	if _, err := in.Used.Density(referenceC); err != nil {
		return fmt.Errorf("used_fluid: %w", err)
	}
	if _, err := in.Fresh.Density(referenceC); err != nil {
		return fmt.Errorf("fluid: %w", err)
	}
	if !(in.LowC < in.HighC) || in.LowC < -40 || in.HighC > 150 {
		return fmt.Errorf("window: low_c %g and high_c %g must rise and lie between -40 and 150", in.LowC, in.HighC)
	}
	if !(in.FirstFill > 0 && in.FirstFill <= 1) {
		return fmt.Errorf("first_fill: %g is not above 0 and at most 1", in.FirstFill)
	}
	if !(in.UsedSpreadU >= 0 && in.UsedSpreadU < 1) {
		return fmt.Errorf("used_spread_u: %g is not from 0 to 1", in.UsedSpreadU)
	}
	switch in.Check {
	case "", ByDipstick, ByOverflow:
	default:
		return fmt.Errorf("check: %q is not one of %s, %s", in.Check, ByDipstick, ByOverflow)
	}
	for _, size := range []struct {
		field  string
		litres float64
	}{{"typical_l", in.TypicalL}, {"total_l", in.TotalL}, {"bottle_l", in.BottleL},
		{"between_marks_l", in.BetweenMarksL}, {"balance_band_l", in.BalanceBandL}} {
		if !(size.litres >= 0 && size.litres <= 1000) {
			return fmt.Errorf("%s: %g is not from 0 to 1000 litres", size.field, size.litres)
		}
	}
	if in.TypicalL > 0 && in.TotalL > 0 && in.TypicalL > in.TotalL {
		return fmt.Errorf("typical_l: %g is more than total_l %g: a refill is a part of the whole", in.TypicalL, in.TotalL)
	}
	if in.BottleL != 0 && in.BottleL < minBottleL {
		return fmt.Errorf("bottle_l: %g is less than %g: no bottle is so small", in.BottleL, minBottleL)
	}
	if !(in.BoltTorqueNM >= 0 && in.BoltTorqueNM <= 1000) {
		return fmt.Errorf("bolt_torque_nm: %g is not from 0 to 1000", in.BoltTorqueNM)
	}
	if in.AskedFluid != "" && in.AskedFluid != in.Fresh.Name && in.OtherFluid == "" {
		return fmt.Errorf("fluid: the service data ask for %s, this is %s: take the right one, or say why not in other_fluid", in.AskedFluid, in.Fresh.Name)
	}
	return nil
}
