package fillcalc

import (
	"math"
	"slices"
)

// Tally names the account that a change of weight goes to.
type Tally uint8

const (
	NoTally Tally = iota
	DrainedTally
	AddedTally
	OverflowTally // ran out of the check opening again
)

func (t Tally) String() string { return [...]string{"none", "drained", "added", "overflow"}[min(t, 3)] }

// counts reports whether a scale's changes belong to the job in a phase. The
// supply may be filled up until it is needed; the caddy counts to the end,
// because the pan may still drip.
func counts(load Load, phase Phase) bool {
	switch phase {
	case Draining, Service:
		return load != SupplyLoad
	case Filling, Running, Checking:
		return true
	}
	return false
}

// tallyOf says which account a change feeds. Fluid can only come into a caddy
// and only leave a supply. Where both stand on one scale the direction tells
// them apart.
func (j *Job) tallyOf(load Load, riseKg float64) Tally {
	switch {
	case load == SupplyLoad, load == BothLoad && riseKg < 0:
		return AddedTally
	case j.Phase == Checking && j.Spec.Check == ByOverflow:
		return OverflowTally
	}
	return DrainedTally
}

// streamOf is the account that a scale's stream feeds, and with it what was taken
// for fluid. Where caddy and supply stand on one scale it is the stronger stream of
// the phase.
func (j *Job) streamOf(load Load) Tally {
	if load == BothLoad && j.Phase != Draining && j.Phase != Service {
		return AddedTally
	}
	return j.tallyOf(load, 1)
}

// Account is one side of a job, in kilograms as the scale shows them: air
// buoyancy is applied once, when a volume is asked for.
type Account struct {
	ShownKg float64 // positive when fluid went the way the account is named for
	Begun   bool    // it has counted since the baseline
}

// account is where a tally is kept.
func (j *Job) account(t Tally) *Account {
	switch t {
	case AddedTally:
		return &j.Added
	case OverflowTally:
		return &j.Overflow
	}
	return &j.Drained
}

// add books a rise of a scale's weight. Drained fluid makes a scale heavier,
// added fluid makes it lighter.
func (j *Job) add(t Tally, riseKg float64) {
	if t == AddedTally {
		riseKg = -riseKg
	}
	j.account(t).ShownKg += riseKg
}

// unbooked is what a scale has seen since its anchor that counts as flow.
func (s *Scale) unbooked() (riseKg float64) {
	switch {
	case !s.Anchored || s.Follow == lost:
		return 0
	case s.Follow == held:
		return s.Before.LevelKg - s.AnchorKg
	}
	return s.LevelKg - s.AnchorKg
}

// heldKg is what is held at the moment and not yet a step.
func (s *Scale) heldKg() float64 {
	if s.Follow != held || !s.Anchored || !s.HeldCounts {
		return 0
	}
	return s.LevelKg - s.Before.LevelKg
}

// book moves what a scale has seen so far into its account, so that what comes
// counts from here.
func (s *State) book(sc *Scale) {
	rise := sc.unbooked()
	if counts(sc.Setup.Load, s.Job.Phase) {
		s.Job.add(s.Job.tallyOf(sc.Setup.Load, float64(sc.Direction)), rise)
	}
	sc.AnchorKg += rise
	if sc.Follow == following {
		sc.AnchorKg = sc.LevelKg
	}
}

// turnTo prepares the scales for a phase: fluid is expected to leave the supply,
// and to come into the caddy.
func (s *State) turnTo(phase Phase) {
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		s.book(sc)
		sc.Direction = 1
		if sc.Setup.Load == SupplyLoad || sc.Setup.Load == BothLoad && phase != Draining && phase != Service {
			sc.Direction = -1
		}
		sc.PeakKg, sc.FarKg, sc.AheadNs = sc.SlowKg, sc.LevelKg, sc.LastNs
	}
	s.Job.Phase, s.Job.PhaseNs = phase, s.NowNs
	s.begin()
}

// begin notes which accounts count from now on.
func (s *State) begin() {
	for _, t := range []Tally{DrainedTally, AddedTally, OverflowTally} {
		for i := range s.Scales[:s.ScaleN] {
			if s.feeding(&s.Scales[i], t) {
				s.Job.account(t).Begun = true
			}
		}
	}
}

// weigh feeds one weight to scale i.
func (s *State) weigh(i int, atNs int64, kg float64) {
	sc := &s.Scales[i]
	if atNs-sc.LastNs > scaleSilentNs {
		s.cut(sc)
	}
	counting := counts(sc.Setup.Load, s.Job.Phase)
	if sc.Follow != held {
		sc.HeldCounts = counting
	}
	m, settled := sc.read(atNs, kg, counting && !(sc.Setup.Load == BothLoad && s.overflowing()))
	switch {
	case settled:
		s.settled(sc, atNs, m)
	case sc.Follow == following && counting:
		if sc.turned() {
			s.turn(sc, atNs)
		}
		s.Job.leanOver(sc, atNs)
		s.Job.leanThrough(sc, atNs)
	}
}

// cut ends what is held where the readings end: what happens after belongs to
// another step.
func (s *State) cut(sc *Scale) {
	if sc.Follow == held && sc.Anchored {
		s.settled(sc, sc.LastNs, sc.settle(sc.LastNs))
	}
}

// settled takes note of a hold that has come to rest.
func (s *State) settled(sc *Scale, atNs int64, m move) {
	counting := counts(sc.Setup.Load, s.Job.Phase)
	switch {
	case !sc.Anchored:
		sc.AnchorKg, sc.Anchored = sc.LevelKg, true
	case m.Kg == 0:
		// It came back to where it was, or fluid explains it: what flowed meanwhile
		// stays between anchor and level.
	case !counting && !sc.HeldCounts:
		sc.AnchorKg = sc.LevelKg // nobody counts: nothing to decide
		sc.lay(m.Kg)
	default:
		s.step(sc, atNs, m)
	}
}

// A pan that has been put back does no more than drip: a stronger stream into the
// caddy is none (common practice, no source).
const mostDripKgS = 0.01

// overflowing reports whether fluid may run out of the check opening.
func (s *State) overflowing() bool {
	return s.Job.Phase == Checking && s.Job.Spec.Check == ByOverflow
}

// turn takes note that a scale moves against its direction. Where caddy and
// supply stand on it and both may move, the stream has changed; anywhere else
// no fluid does that.
func (s *State) turn(sc *Scale, atNs int64) {
	rises := sc.Direction < 0
	drips := sc.flowKgS() < mostDripKgS || s.overflowing()
	if sc.Setup.Load != BothLoad || s.Job.Phase == Draining || s.Job.Phase == Service || rises && !drips {
		sc.hold(Backward, past{AtNs: atNs, LevelKg: sc.furthestKg()}, atNs)
		sc.HeldCounts = true
		return
	}
	turnedKg := sc.furthestKg()
	s.Job.add(s.Job.tallyOf(BothLoad, float64(sc.Direction)), turnedKg-sc.AnchorKg)
	sc.AnchorKg, sc.PeakKg, sc.FarKg, sc.AheadNs = turnedKg, sc.SlowKg, sc.LevelKg, atNs
	sc.Direction = -sc.Direction
}

// step books what flowed up to a change that is no fluid by itself, and holds
// the change apart.
func (s *State) step(sc *Scale, atNs int64, m move) {
	j := &s.Job
	flowed := sc.LevelKg - m.Kg - sc.AnchorKg
	if math.Abs(flowed) > 0 {
		j.add(j.tallyOf(sc.Setup.Load, float64(sc.Direction)), flowed)
	}
	sc.AnchorKg = sc.LevelKg
	// Which way it went is not known of a step that is smaller than its uncertainty:
	// it is more of the stream.
	way := m.Kg
	if math.Abs(way) < sc.bandKg()+float64(4*math.Sqrt(m.U2)) {
		way = float64(sc.Direction)
	}
	// A fresh slice: earlier states keep theirs.
	j.Steps = append(slices.Clone(j.Steps), Step{
		ID: len(j.Steps) + 1, Sensor: sc.Setup.Sensor, FromNs: sc.Before.AtNs, AtNs: atNs,
		FromKg: sc.LevelKg - m.Kg, Kg: m.Kg, U2: m.U2, Cause: sc.Cause, Tally: j.tallyOf(sc.Setup.Load, way),
	})
	j.match(sc, len(j.Steps))
}
