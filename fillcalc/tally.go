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
)

// tallyOf says which account a scale feeds in a phase. Where caddy and supply
// share one scale, the phase decides: they cannot be told apart otherwise.
func tallyOf(load Load, phase Phase) Tally {
	switch phase {
	case Draining, Service:
		if load == CaddyLoad || load == BothLoad {
			return DrainedTally
		}
	case Filling, Running, Checking:
		if load == CaddyLoad {
			return DrainedTally // the pan may still drip
		}
		return AddedTally
	}
	return NoTally
}

// Account is one side of a job, in kilograms as the scale shows them: air
// buoyancy is applied once, when a volume is asked for.
type Account struct {
	ShownKg float64 // positive when fluid went the way the account is named for
	// Breaks counts how often the sum was interrupted and taken up again from
	// another level; each time costs two weighings' uncertainty.
	Breaks int
}

// Step is a change that is held apart until somebody says what it was.
type Step struct {
	ID     int // from 1 within a job
	Sensor string
	AtNs   int64
	Kg     float64 // as the scale shows it; negative when weight went away
	Cause  Cause
	Tally  Tally    // the account it goes to when it was fluid
	As     Decision // empty while undecided
	By     string   // who decided
}

// account is where a tally is kept; nil for none.
func (j *Job) account(t Tally) *Account {
	switch t {
	case DrainedTally:
		return &j.Drained
	case AddedTally:
		return &j.Added
	}
	return nil
}

// add books a rise of a scale's weight. Drained fluid makes a scale heavier,
// added fluid makes it lighter.
func (j *Job) add(t Tally, riseKg float64) {
	if t == AddedTally {
		riseKg = -riseKg
	}
	if a := j.account(t); a != nil {
		a.ShownKg += riseKg
	}
}

// unbooked is what a scale has seen since its anchor that counts as flow.
func (s *Scale) unbooked() (riseKg float64) {
	switch {
	case !s.Anchored || s.Follow == lost:
		return 0
	case s.Follow == stepping:
		return s.Before.LevelKg - s.AnchorKg
	}
	return s.LevelKg - s.AnchorKg
}

// book moves what the scales have seen so far into the accounts, so that a
// change of phase or baseline counts from here.
func (s *State) book() {
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		rise := sc.unbooked()
		t := tallyOf(sc.Setup.Load, s.Job.Phase)
		if sc.Follow == stepping {
			t = sc.StepTally
		}
		s.Job.add(t, rise)
		sc.AnchorKg += rise
		if sc.Follow == following {
			sc.AnchorKg = sc.LevelKg
		}
	}
}

// weigh feeds one weight to scale i.
func (s *State) weigh(i int, atNs int64, kg float64) {
	sc := &s.Scales[i]
	before := sc.Follow
	settled, moveKg := sc.read(atNs, kg)
	if before != stepping {
		sc.StepTally = tallyOf(sc.Setup.Load, s.Job.Phase)
	}
	if !settled {
		return
	}
	switch {
	case !sc.Anchored:
		sc.AnchorKg, sc.Anchored = sc.LevelKg, true
	case math.Abs(moveKg) <= sc.bandKg():
		// It came back to where it was: a bump, or nothing at all. What flowed
		// meanwhile stays between anchor and level.
	case sc.StepTally == NoTally:
		sc.AnchorKg = sc.LevelKg // nobody counts: nothing to decide
	default:
		s.Job.add(sc.StepTally, sc.LevelKg-moveKg-sc.AnchorKg)
		sc.AnchorKg = sc.LevelKg
		s.Job.account(sc.StepTally).Breaks++
		// A fresh slice: earlier states keep theirs.
		s.Job.Steps = append(slices.Clip(s.Job.Steps), Step{
			ID: len(s.Job.Steps) + 1, Sensor: sc.Setup.Sensor, AtNs: atNs,
			Kg: moveKg, Cause: sc.Cause, Tally: sc.StepTally,
		})
	}
}
