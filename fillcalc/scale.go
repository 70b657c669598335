package fillcalc

import "math"

// How a scale's signal is read. Times are in nanoseconds; SIGNAL.md beside this file says
// why each has its value.
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
	// A scale whose readings are no further apart leaves about half its noise in the
	// level at most.
	oftenNs = 220e6
	// Past levels are kept this far apart, whatever the rate of the scale.
	pastEveryNs = 100e6
	// Speed is judged against a level at least this old: several readings even
	// of a slow scale, and long against the bursts in which USB delivers them.
	speedNs = 400e6
	// A trend is broken when the level has left it by more than the band within
	// this time.
	trendNs = 800e6
	// A turn must last longer than a step takes to show.
	turnNs = 2e9
	// The slope over this long is the late one; the ring reaches a little further
	// back.
	lateNs = 1400e6
	// What is held began less than this before it became plain: a small change
	// behind the indicator's own filter and ours shows late.
	onsetNs = 1500e6
	// The signal is judged straight over one second, and has settled when it stayed
	// so for another: the middle of a step that an indicator's filter has smeared
	// looks straight for a moment.
	straightNs = 1e9
	settleNs   = 1e9
	// A stream within a hold stays straight for longer than a filter makes a ramp of a
	// step.
	ranNs = 200e6
	// A slow scale needs as many readings to show the same.
	settleN = 4
	// Where vibration never lets it run straight, it has settled when nothing moved
	// fast for this long.
	calmNs = 5e9
	// Fluid that starts to run keeps running: what still moves this long after it
	// showed, and was never faster than fluid, is a pour. With the half second in
	// which a change shows and the one in which filters end it, a change of two
	// seconds is the longest step.
	suddenNs = 2200e6
	// What neither moves on nor settles for this long trembles.
	tremblingNs = 4e9
	// Of less than a spoonful nobody is asked.
	spoonKg = 0.005
)

// follow is what the fold makes of the signal at the moment.
type follow uint8

const (
	lost      follow = iota // no reading since the start or since a hole
	following               // changes are fluid
	held                    // a change is under way, or just over, that may not be fluid
)

// Cause says why a change was held.
type Cause string

const (
	TooFast  Cause = "too_fast" // faster than fluid flows
	Sudden   Cause = "sudden"   // begun and over sooner than fluid does
	Away     Cause = "away"     // it happened while nobody measured
	Backward Cause = "backward" // against the direction in which fluid moves this scale
)

// Scale is the fold's memory of one scale.
type Scale struct {
	Setup   ScaleSetup
	Faults  Faults // of the last frame
	FrameNs int64  // last frame of any kind; 0 when there was none yet
	LastNs  int64  // last frame with a value; 0 when there was none yet

	LevelKg float64  // smoothed gross weight
	SlowKg  float64  // smoothed more slowly
	Past    [16]past // ring, the oldest at PastAt once it is full
	PastN   int
	PastAt  int

	Follow follow
	// AnchorKg is the level up to which everything has been accounted for: what the
	// level has moved since then is in no tally yet.
	AnchorKg float64
	Anchored bool
	// Direction is where fluid moves this scale at present: 1 heavier, -1 lighter.
	Direction int
	PeakKg    float64 // the furthest SlowKg has come in that direction
	FarKg     float64 // the furthest LevelKg has come, which noise carries too far
	AheadNs   int64   // when it last was not behind PeakKg by more than the band

	// While held: the moment before, why, since when, and when it last was bent
	// and last was fast. HeldCounts reports whether it began while the scale counted.
	Before     past
	Cause      Cause
	SinceNs    int64
	BentNs     int64
	FastNs     int64
	CalmN      int     // readings since it last was bent
	UpKgS      float64 // the steepest slopes since
	DownKgS    float64
	RunsNs     int64   // since when it has been straight and steep; 0: it is not
	RanUpKgS   float64 // the steepest streams since
	RanDownKgS float64
	HeldCounts bool

	Plateaus [4]past    // where the level rested, the newest first; LevelKg and the time it was left
	Lying    [6]float64 // objects, in kg, that were laid down while nobody counted; 0: none
	// Vague says that some of them may have gone unknown: nobody is asked about them.
	Vague   bool
	EveryNs int64 // between the last two readings

	Scatter scatter
}

// flowKgS is the present rate of change: on a steady ramp each average lags by
// its time constant, so their distance tells the slope.
func (s *Scale) flowKgS() float64 {
	return float64((s.LevelKg - s.SlowKg) / (slowTauS - levelTauS))
}

// runs reports whether the level lags a stream, or one that has just ended, by more
// than it is good to: so much would be lost now.
func (s *Scale) runs() bool {
	return math.Abs(s.flowKgS())*levelTauS > max(s.bandKg()/4, spoonKg)
}

// bandKg is how far readings of one level may lie apart.
func (s *Scale) bandKg() float64 {
	return float64(4*s.Setup.ResolutionKg) + float64(4*s.scatterKg())
}

// scatterKg is the present standard deviation of the level at rest: as configured, or
// as seen when that is larger.
func (s *Scale) scatterKg() float64 { return max(s.Setup.RepeatabilityKg, s.Scatter.sigmaKg()) }

// read takes one weight. settled is true when a held change has come to rest;
// m is zero when fluid explains all of it. oneWay says that fluid moves the scale
// in its direction only, drips apart.
func (s *Scale) read(atNs int64, kg float64, oneWay bool) (m move, settled bool) {
	if s.Follow == lost || atNs-s.LastNs > scaleSilentNs {
		if s.Follow == following || s.Follow == lost && s.Anchored {
			s.Before = past{s.LastNs, s.LevelKg, 0, 0}
		}
		s.hold(Away, s.Before, atNs)
		s.restart(atNs, kg)
		return move{}, false
	}
	s.EveryNs = atNs - s.LastNs
	dt := float64(s.EveryNs) / 1e9
	s.LastNs = atNs
	if s.Follow == held && math.Abs(kg-s.LevelKg) > float64(2*s.bandKg())+float64(s.Setup.MaxFlowKgS*(levelTauS+float64(2*dt))) {
		// Where it comes to rest has nothing to do with where it was.
		s.BentNs, s.FastNs, s.CalmN = atNs, atNs, 0
		s.restart(atNs, kg)
		if s.Cause == Sudden {
			s.Cause = TooFast
		}
		return move{}, false
	}
	s.LevelKg += float64((kg - s.LevelKg) * (dt / (dt + levelTauS)))
	s.SlowKg += float64((kg - s.SlowKg) * (dt / (dt + slowTauS)))
	s.Scatter.see(atNs, s.LevelKg, s.Setup.ResolutionKg)

	fast := s.tooFast(atNs, kg) || math.Abs(s.slopeKgS(atNs, straightNs)) > s.Setup.MaxFlowKgS+float64(s.bandKg()/2)
	switch s.Follow {
	case following:
		switch {
		case fast:
			s.hold(TooFast, s.before(atNs), atNs)
			s.restart(atNs, kg)
			return move{}, false
		case s.offTrend(atNs):
			s.hold(Sudden, s.before(atNs), atNs)
		}
	case held:
		if fast && s.Cause == Sudden {
			s.Cause = TooFast
		}
		s.CalmN++
		slope := s.slopeKgS(atNs, straightNs/2)
		s.UpKgS, s.DownKgS = max(s.UpKgS, slope), min(s.DownKgS, slope)
		if fast || s.Cause == Backward && s.goesBack(atNs) {
			s.FastNs, s.BentNs, s.CalmN = atNs, atNs, 0
		} else if s.bent(atNs) {
			s.BentNs, s.CalmN = atNs, 0
		}
		s.run(atNs)
	}
	s.remember(atNs)
	switch {
	case s.Follow != held:
		s.rest(atNs)
		return move{}, false
	case atNs-s.BentNs >= settleNs && s.CalmN >= settleN && !s.mayBeStep(atNs), atNs-s.FastNs >= calmNs && s.Cause != Sudden:
		if oneWay && (s.Cause == TooFast || s.Cause == Sudden) && s.streamsBack(atNs) {
			s.Cause, s.FastNs, s.BentNs, s.CalmN = Backward, atNs, atNs, 0
			return move{}, false
		}
		return s.settle(atNs), true
	case s.Cause == Sudden && (atNs-s.SinceNs >= suddenNs && s.movesOn(atNs) || atNs-s.SinceNs >= tremblingNs):
		if oneWay && s.streamsBack(atNs) {
			s.Cause, s.FastNs, s.BentNs, s.CalmN = Backward, atNs, atNs, 0
			return move{}, false
		}
		flow := s.slopeKgS(atNs, straightNs/2)
		if s.runsOn(flow) && !s.between(flow, s.Before.FlowKgS) {
			return s.settle(atNs), true // something else came into the stream
		}
		s.Follow = following // no step does that
		s.takeFlow(atNs, flow)
	}
	return move{}, false
}

// weighingU2 is the variance, in kg², of one settled weighing: the display's
// rounding (GUM F.2.2.1) and the largest scatter, since the weighing that began an
// account is not repeated when it has become calm.
func (s *Scale) weighingU2() float64 {
	u := max(s.Setup.RepeatabilityKg, s.Scatter.PeakKg)
	return float64(s.Setup.ResolutionKg*s.Setup.ResolutionKg)/12 + float64(u*u)
}

// tooFast compares a reading with the level some time ago. The level lags a
// steady stream, and that much is no speed.
func (s *Scale) tooFast(atNs int64, kg float64) bool {
	p, ok := s.ago(atNs, speedNs)
	if !ok {
		return false
	}
	limit := float64(s.Setup.MaxFlowKgS*(float64(atNs-p.AtNs)/1e9+levelTauS)) + float64(2*s.bandKg())
	return math.Abs(kg-p.LevelKg) > limit
}

// offTrend reports whether the level has left the line that it followed.
func (s *Scale) offTrend(atNs int64) bool {
	p, ok := s.ago(atNs, trendNs)
	if !ok {
		return false
	}
	expected := p.LevelKg + float64(p.FlowKgS*(float64(atNs-p.AtNs)/1e9))
	off := math.Abs(s.LevelKg - expected)
	return off > s.partOfBandKg(0.75)
}

// partOfBandKg is the part of the band that the level of a scale that reads often
// needs: little of its noise is left in it, but a cart may tremble.
func (s *Scale) partOfBandKg(part float64) float64 {
	if s.EveryNs <= 0 || s.EveryNs >= oftenNs {
		return s.bandKg()
	}
	return max(float64(part*s.bandKg()), min(s.bandKg(), spoonKg))
}

// bent reports whether the level of the last second lies on no straight line.
func (s *Scale) bent(atNs int64) bool {
	mid, _ := s.ago(atNs, straightNs/2)
	old, ok := s.ago(atNs, straightNs)
	if !ok {
		return true
	}
	along := float64(atNs-old.AtNs) / 1e9
	part := float64(mid.AtNs-old.AtNs) / 1e9
	line := old.LevelKg + float64((s.LevelKg-old.LevelKg)*(part/along))
	return math.Abs(mid.LevelKg-line) > s.bandKg()/4
}

// turned reports whether the level has come back from its furthest by more than
// the band, and for longer than it takes to notice a step; it also notes how far
// it got.
func (s *Scale) turned() bool {
	ahead := s.SlowKg - s.PeakKg
	if s.Direction < 0 {
		ahead = -ahead
	}
	if ahead > 0 && float64(s.Direction)*s.flowKgS() >= 0 {
		s.PeakKg = s.SlowKg
	}
	if (s.LevelKg > s.FarKg) == (s.Direction > 0) {
		s.FarKg = s.LevelKg
	}
	if ahead >= -s.bandKg() {
		s.AheadNs = s.LastNs
	}
	return s.LastNs-s.AheadNs >= turnNs
}

// furthestKg is where the level turned: where the slow average did, unless it
// lagged a stream then.
func (s *Scale) furthestKg() float64 {
	if beyond := s.FarKg - s.PeakKg; float64(float64(s.Direction)*beyond) > s.bandKg() {
		return s.FarKg
	}
	return s.PeakKg
}

// rest notes where the level stays for a while.
func (s *Scale) rest(atNs int64) {
	if math.Abs(s.flowKgS()) > s.bandKg()/10 {
		return
	}
	if math.Abs(s.LevelKg-s.Plateaus[0].LevelKg) > s.bandKg() || s.Plateaus[0].AtNs == 0 {
		copy(s.Plateaus[1:], s.Plateaus[:])
	}
	s.Plateaus[0] = past{AtNs: atNs, LevelKg: s.LevelKg}
}
