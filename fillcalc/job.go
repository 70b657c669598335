package fillcalc

import "slices"

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
	Undo       *Undo      // nil if nothing can be taken back; never changed in place
	Clock      *Clock     // nil if nothing is wrong with it
	Uses       []UseChart // checks by use, from job to job; never changed in place
	Measured   []Fluid    // fluids whose density was measured on this cart; never changed in place
}

// Job is the open job, or the last one.
type Job struct {
	Spec     JobSpec
	Phase    Phase
	OpenedNs int64
	PhaseNs  int64  // when the phase began
	By       string // who opened it: who else does something says so
	Why      string
	Unread   bool      // it was closed while a scale could not be read
	Lacked   bool      // it was closed with a reason although something was missing; see [State.CloseLacks]
	Forgot   []Forgot  // what people let a baseline forget; never changed in place
	Ledgers  [2]Ledger // of the scales
	Changes  []Change  // in the order of their detection; never changed in place
	Clears   []Clear   // clear weighings; never changed in place
	Entries  []Entry   // never changed in place
	Records  []Record  // never changed in place
	Gears    []Gear    // never changed in place
	Phases   []PhaseAt // never changed in place
	// TakenBack is what is in none of the lists above any more; never changed in place.
	TakenBack []TakenBack
	Past      []Moment // of the phase checking; never changed in place
	Loss      Loss
	PassMarks []PassMark // of the passes after the first; never changed in place
	Unmixed   bool       // it was drained again before the engine had mixed what was in
	Streams   [2]stream  // on the scales
	Fitted    []Fitted   // the instruments; never changed in place
	Troubles  []Trouble  // that are over; never changed in place
	Watched   [3]watched
	// EmptyKg is the weight of an empty bottle with what clings to it.
	EmptyKg, EmptyUKg float64

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
	if s.Undo != nil {
		s.Undo = s.Undo.follow(e)
	}
	s.Seq, s.NowNs = e.Seq, e.AtNs
	if e.Kind != KindInput {
		s.watch(&e)
	}
	switch e.Kind {
	case KindWeight:
		for i := range s.Scales[:s.ScaleN] {
			if sc := &s.Scales[i]; sc.Setup.Sensor == e.Sensor {
				sc.Faults, sc.FrameNs = e.Faults, e.AtNs
				sc.Moves = sc.Moves || e.Stability != Stable
				if !e.Faults.Hidden() {
					s.weigh(i, e.AtNs, sc.Setup.correct(e.Value))
					s.seeLoss(i)
					s.seeStream(i)
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
			s = applyInput(s, e.Input)
		}
	}
	if s.Job.Phase == Checking {
		s.remember()
	}
	return s
}

// Runs returns a scale that counts and on which fluid still runs, so that closing
// the job now would lose some of it; empty if there is none.
func (s *State) Runs() (sensor string) {
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; !sc.Rest.Now && sc.FlowKgS != 0 && counts(sc.Setup.Load, s.Job.Phase) && !s.silent(sc) {
			return sc.Setup.Sensor
		}
	}
	return ""
}

func (s *State) resetTail() {
	for i := range s.Scales[:s.ScaleN] {
		if setup := &s.Scales[i].Setup; setup.Load != SupplyLoad {
			s.Tail.reset(s.NowNs, setup.ResolutionKg)
		}
	}
}

// start adopts a setup. A scale with the same sensor and load keeps its signal, so
// that a change during the absence shows.
func (s *State) start(setup *Setup) {
	old, oldN := s.Scales, s.ScaleN
	s.Setup = *setup
	s.ScaleN = min(len(setup.Scales), len(s.Scales))
	s.Scales = [2]Scale{}
	for i := range s.ScaleN {
		sc := &s.Scales[i]
		for k := range old[:oldN] {
			if o := &old[k]; o.Setup.Sensor == setup.Scales[i].Sensor && o.Setup.Load == setup.Scales[i].Load {
				*sc = *o
			}
		}
		// With a new calibration the same load has another weight.
		if was := sc.Setup.correct(1); sc.N > 0 && setup.Scales[i].correct(1) != was {
			s.rescale(sc, setup.Scales[i].correct(1)/was)
		}
		sc.Setup = setup.Scales[i]
	}
	s.Probe, s.CaddyProbe, s.Coolant = Probe{ProbeSetup: setup.Probe}, Probe{ProbeSetup: setup.CaddyProbe}, Probe{ProbeSetup: setup.Coolant}
	s.Weighed = Weighed{}
	if s.Job.Phase.Open() {
		s.Job.fit(&s.Setup)
		s.rewatch()
	}
}

// rescale corrects what a scale has weighed so far by another calibration. What is open
// at the moment is lost: it is a hole.
func (s *State) rescale(sc *Scale, by float64) {
	for i := range sc.Ring {
		sc.Ring[i].Kg *= by
	}
	for _, kg := range [...]*float64{&sc.LastKg, &sc.Doubt.Kg, &sc.SumKg, &sc.Was.Kg, &sc.Was.KgS, &sc.ShownKg, &sc.LevelKg, &sc.Rest.Kg, &sc.Idle.FromKg, &sc.Idle.ToKg} {
		*kg *= by
	}
	for i := range sc.Rests {
		sc.Rests[i].Kg *= by
	}
	s.Job.Changes = slices.Clone(s.Job.Changes)
	for i := range s.Job.Changes {
		if c := &s.Job.Changes[i]; c.Sensor == sc.Setup.Sensor {
			c.Kg, c.FromKg, c.EndKg = c.Kg*by, c.FromKg*by, c.EndKg*by
		}
	}
	s.Job.Loss.SinceNs, s.Job.Streams = 0, [2]stream{}
	s.Job.PassMarks = slices.Clone(s.Job.PassMarks)
	for i := range s.Scales[:s.ScaleN] {
		if l := &s.Job.Ledgers[i]; &s.Scales[i] == sc {
			for k := range s.Job.PassMarks {
				s.Job.PassMarks[k].At[i].Kg *= by
			}
			for k := range l.Marks {
				l.Marks[k].Kg *= by
			}
			l.Top.Kg *= by
			l.Drip.Kg, l.Drip.KgS, l.Drip.Over, l.Drip.LowKg = l.Drip.Kg*by, l.Drip.KgS*by, l.Drip.Over*by, l.Drip.LowKg*by
			l.Drip.Still = stretch{}
		}
	}
}
