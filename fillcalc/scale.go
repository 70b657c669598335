package fillcalc

import "math"

// How a scale's signal is read. Times are in nanoseconds.
const (
	// A frame later than this after the last good one leaves a hole: what changed
	// meanwhile was not seen and becomes an undecided step. Indicators send several
	// frames a second; three seconds is well past any of them.
	scaleSilentNs = 3e9
	// The level is smoothed over a third of a second: it halves the display's
	// noise at ten readings a second and lags a pour of 50 g/s by only 15 g.
	levelTauS = 0.3
	// The flow is read from how far a slower average lags the level.
	slowTauS = 2.3
	// Past levels are kept this far apart, whatever the rate of the scale...
	pastEveryNs = 100e6
	// ... and speed is judged against one at least this old: several readings even
	// of a slow scale, and long against the bursts in which USB delivers them.
	lookBackNs = 400e6
	// A signal has settled when it was slow enough for fluid for this long.
	settleNs = 1e9
)

// follow is what the fold makes of the signal at the moment.
type follow uint8

const (
	lost      follow = iota // no reading since the start or since a hole
	following               // changes are fluid
	stepping                // changing too fast for fluid, or seen again after a hole
)

// past is the level some time ago.
type past struct {
	AtNs    int64
	LevelKg float64
	FlowKgS float64
}

// Scale is the fold's memory of one scale.
type Scale struct {
	Setup  ScaleSetup
	Faults Faults // of the last frame
	LastNs int64  // last frame with a value; 0 when there was none yet

	LevelKg float64 // smoothed gross weight
	SlowKg  float64 // smoothed more slowly
	Past    [8]past // ring, the oldest at PastAt once it is full
	PastN   int
	PastAt  int

	Follow follow
	// AnchorKg is the level up to which everything has been accounted for: what the
	// level has moved since then is in no tally yet.
	AnchorKg float64
	Anchored bool

	// While stepping: the moment before, why, and since when it has been calm.
	Before    past
	Cause     Cause
	StepTally Tally
	CalmNs    int64
}

// Cause says why a change was held apart.
type Cause string

const (
	TooFast Cause = "too_fast" // faster than fluid flows
	Away    Cause = "away"     // it happened while nobody measured
)

// flowKgS is the present rate of change: on a steady ramp each average lags by
// its time constant, so their distance tells the slope.
func (s *Scale) flowKgS() float64 { return (s.LevelKg - s.SlowKg) / (slowTauS - levelTauS) }

// bandKg is how far readings of one level may lie apart.
func (s *Scale) bandKg() float64 {
	return float64(4*s.Setup.ResolutionKg) + float64(4*s.Setup.RepeatabilityKg)
}

// read takes one weight. done is true when a change that was held apart has
// settled; move is then its size and flowed what flowed in the meantime.
func (s *Scale) read(atNs int64, kg float64) (done bool, move float64) {
	hole := s.Follow == lost || atNs-s.LastNs > scaleSilentNs
	if hole {
		if s.Follow == following || s.Follow == lost && s.Anchored {
			s.Before = past{s.LastNs, s.LevelKg, 0}
		}
		s.Follow, s.Cause, s.CalmNs = stepping, Away, atNs
		s.LevelKg, s.SlowKg = kg, kg
		s.PastN, s.PastAt = 0, 0
	}
	dt := float64(atNs-s.LastNs) / 1e9
	s.LastNs = atNs
	if !hole {
		s.LevelKg += float64((kg - s.LevelKg) * (dt / (dt + levelTauS)))
		s.SlowKg += float64((kg - s.SlowKg) * (dt / (dt + slowTauS)))
	}

	fast := s.tooFast(atNs, kg)
	if s.Follow == following && fast {
		// The oldest past level lies well before the moment at which the change
		// became plain, so none of it has been counted as flow.
		s.Before = s.oldest()
		s.Follow, s.Cause, s.CalmNs = stepping, TooFast, atNs
	}
	s.remember(atNs)
	if s.Follow != stepping {
		return false, 0
	}
	if fast {
		s.CalmNs = atNs
	}
	if atNs-s.CalmNs < settleNs {
		return false, 0
	}
	s.Follow = following
	move = s.LevelKg - s.Before.LevelKg
	if s.Cause == TooFast {
		// Fluid that was running kept running: a tool laid down during a drain does
		// not swallow what drained meanwhile.
		move -= float64(s.Before.FlowKgS * (float64(atNs-s.Before.AtNs) / 1e9))
	}
	s.SlowKg = s.LevelKg - float64(s.Before.FlowKgS*(slowTauS-levelTauS))
	// What was kept during the change is no flow: a second change soon after must
	// not begin there.
	s.PastN, s.PastAt = 0, 0
	s.remember(atNs)
	return true, move
}

// tooFast compares a reading with the level some time ago.
func (s *Scale) tooFast(atNs int64, kg float64) bool {
	for i := 1; i <= s.PastN; i++ {
		p := &s.Past[(s.PastAt+s.PastN-i)%len(s.Past)]
		age := atNs - p.AtNs
		if age < lookBackNs {
			continue
		}
		limit := float64(s.Setup.MaxFlowKgS*(float64(age)/1e9+levelTauS)) + s.bandKg()
		return math.Abs(kg-p.LevelKg) > limit
	}
	return false
}

func (s *Scale) remember(atNs int64) {
	if s.PastN > 0 {
		newest := &s.Past[(s.PastAt+s.PastN-1)%len(s.Past)]
		if atNs-newest.AtNs < pastEveryNs {
			return
		}
	}
	p := past{atNs, s.LevelKg, s.flowKgS()}
	if s.PastN < len(s.Past) {
		s.Past[(s.PastAt+s.PastN)%len(s.Past)] = p
		s.PastN++
		return
	}
	s.Past[s.PastAt] = p
	s.PastAt = (s.PastAt + 1) % len(s.Past)
}

func (s *Scale) oldest() past {
	if s.PastN == 0 {
		return past{s.LastNs, s.LevelKg, 0}
	}
	return s.Past[s.PastAt]
}
