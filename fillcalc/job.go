package fillcalc

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
		if e.Input != nil {
			return applyInput(s, e.Input)
		}
	}
	return s
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
