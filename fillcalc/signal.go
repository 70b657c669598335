package fillcalc

import "math"

// How a scale's signal is read. SIGNAL.md says why each figure has its value.
const (
	binS      = 0.25 // readings are gathered to means of so long
	backS     = 2.25 // a line through so long a past ...
	guardS    = 0.75 // ... that ends so long before a bin foretells it
	afterS    = 1.5  // a line through so long a time ends a change
	suddenS   = 2.6  // hands are quicker than this, and fluid keeps running for longer
	holeS     = 1.0  // longer without a reading: nobody saw what happened
	sure      = 5.0  // so many standard deviations are no chance
	learnPart = 0.04 // part by which one bin moves the noise
	patienceS = 4.0  // what neither ends nor moves on for so long is noise
	lagS      = 0.4  // an indicator shows what it weighed so long ago: half of a filter of 0.6 s, and of a bin (common practice, no source)
	lagUS     = 0.15 // standard uncertainty of that: filters from none to 1 s
	firstN    = 10   // bins after which changes are told from noise
	ringN     = 112  // bins kept: 28 s
)

// bin is the mean of the readings of a quarter of a second, or of one reading of a
// slower scale. S is in seconds since the scale's T0Ns.
type bin struct{ S, Kg float64 }

// Scale is the fold's memory of one scale: its signal, as the scale shows it and
// corrected by its calibration. What it means for a job is kept in the [Ledger].
type Scale struct {
	Setup   ScaleSetup
	Faults  Faults // of the last frame
	FrameNs int64  // last frame of any kind; 0 when there was none yet
	LastNs  int64  // last frame with a value; 0 when there was none yet

	T0Ns   int64   // times of the signal are in seconds since then
	EveryS float64 // usual time between two readings
	LastKg float64 // last reading

	// The bin that is being gathered.
	BinS, SumS, SumKg float64
	SumN              int

	// A reading that may be a spike waits for the next one.
	Doubtful bool
	Doubt    bin
	Spikes   int // readings dropped

	Ring [ringN]bin
	N    int     // bins so far
	From float64 // s: lines and rests do not reach back beyond it

	NoiseKg float64 // median of how far a bin is from the line that foretold it
	PeakKg  float64 // largest standard deviation of a reading since the job was opened

	// A change under way: what did not follow the line that ended before it.
	Open    bool
	OpenS   float64
	Was     ramp
	Hole    float64 // seconds of it that nobody saw
	Fast    bool    // it is faster than fluid flows: not counted until it has lasted
	FastS   float64 // since when
	FastKgS float64 // the fastest stream that was counted late
	Jumps   int     // how often its load moved while it sent nothing
	Moves   bool    // it has sent a reading in motion

	ShownKg float64 // what it shows, smoothed
	Way     float64 // 1 where fluid makes it heavier now, -1 where lighter, 0 both
	LevelKg float64 // present level, free of the indicator's lag
	FlowKgS float64
	Rest    rest
	Rests   [6]rest // the ones before, the newest first
	Idle    idle
}

// rest is a stretch in which the scale's mean stands still: a settled weighing.
type rest struct {
	N     int     // number of the rest; 0: there was none yet
	S     float64 // when it was last seen
	Kg    float64
	U2    float64 // kg²
	Now   bool    // it lasts
	Drips bool    // slowly heavier or lighter: Kg is the weight at the end
}

// sigmaKg is the standard deviation of a bin, as configured or as seen.
func (s *Scale) sigmaKg() float64 {
	return max(float64(1.48*s.NoiseKg), s.Setup.ResolutionKg/4)
}

// seenKg is the standard deviation of a bin as it was seen, of which the display's own
// steps make a part.
func (s *Scale) seenKg() float64 { return float64(1.48 * s.NoiseKg) }

// take takes one reading and reports whether it ended a bin.
func (s *Scale) take(atNs int64, kg float64) bool {
	if s.T0Ns == 0 {
		s.T0Ns, s.LevelKg, s.LastKg, s.NoiseKg = atNs, kg, kg, s.Setup.ResolutionKg
	}
	t := float64(atNs-s.T0Ns) / 1e9
	dt := float64(atNs-s.LastNs) / 1e9
	if s.LastNs != 0 && dt <= 2 {
		if s.EveryS == 0 {
			s.EveryS = dt
		}
		s.EveryS += float64((dt - s.EveryS) * 0.1)
	}
	s.LastNs = atNs
	limitKg := float64(sure*s.sigmaKg()) + float64(4*s.Setup.ResolutionKg) + float64(s.Setup.MaxFlowKgS*min(dt, 1))
	if !s.Doubtful && s.N > 0 && math.Abs(kg-s.LastKg) > limitKg {
		s.Doubtful, s.Doubt = true, bin{t, kg}
		return false
	}
	pushed := false
	if s.Doubtful {
		s.Doubtful = false
		if math.Abs(kg-s.LastKg) <= limitKg/2 && math.Abs(kg-s.Doubt.Kg) > limitKg/2 {
			s.Spikes++
		} else {
			pushed = s.gather(s.Doubt.S, s.Doubt.Kg)
		}
	}
	return s.gather(t, kg) || pushed
}

func (s *Scale) gather(t, kg float64) (pushed bool) {
	s.LastKg = kg
	if s.SumN > 0 && t-s.BinS > max(holeS, s.step()) { // a gap ends it
		s.push(bin{s.BinS + s.SumS/float64(s.SumN), s.SumKg / float64(s.SumN)})
		s.SumN, pushed = 0, true
	}
	if s.SumN == 0 {
		s.BinS, s.SumS, s.SumKg = t, 0, 0
	}
	s.SumN++
	s.SumS += t - s.BinS
	s.SumKg += kg
	if t-s.BinS+s.EveryS >= binS {
		s.push(bin{s.BinS + s.SumS/float64(s.SumN), s.SumKg / float64(s.SumN)})
		s.SumN, pushed = 0, true
	}
	return pushed
}

// step is the usual time from one bin to the next.
func (s *Scale) step() float64 { return max(binS, s.EveryS) }

// slower is by how much the times are longer for a scale that sends seldom: as many
// bins are needed to tell something.
func (s *Scale) slower() float64 { return max(1, s.step()/(2*binS)) }

// back returns a bin of the past; 0 is the newest.
func (s *Scale) back(i int) bin { return s.Ring[(s.N-1-i)%ringN] }

// push takes a bin and learns from it.
func (s *Scale) push(b bin) {
	if s.N > 0 {
		if gap := b.S - s.back(0).S; gap > max(holeS, 2.5*s.step()) {
			s.hole(gap, b.S)
		}
	}
	s.Ring[s.N%ringN] = b
	s.N++
	if !s.Open {
		s.foretell(b)
	}
	now := s.fit(max(b.S-float64(1.2*s.slower()), s.From), b.S)
	s.ShownKg, s.FlowKgS = b.Kg, 0
	if now.N >= 3 {
		s.ShownKg = now.at(b.S)
	}
	s.LevelKg = s.ShownKg
	if now.N >= 3 {
		if s.FlowKgS = now.slopeKgS(s.sigmaKg()); s.FlowKgS != 0 && math.Abs(s.FlowKgS) < 2*s.Setup.MaxFlowKgS {
			s.LevelKg += float64(s.FlowKgS * lagS)
		}
	}
}

// hole takes note that nobody saw the last seconds.
func (s *Scale) hole(gapS, t float64) {
	if !s.Open {
		last := s.back(0).S
		s.Was = s.fit(max(s.From, last-backS), last)
		s.begin(last)
	}
	s.Hole += gapS
	s.From = t
}

// begin opens a change.
func (s *Scale) begin(t float64) {
	s.Open, s.OpenS, s.Hole, s.Fast, s.FastS = true, t, 0, false, 0
	s.Rest.Now = false
}

// foretell compares a bin with the line of the past. What is further away than noise
// explains opens a change; the rest teaches what noise is.
func (s *Scale) foretell(b bin) {
	k := s.slower()
	to := b.S - float64(guardS*k)
	l := s.fit(max(s.From, to-float64(backS*k)), to)
	if l.N < 3 {
		return
	}
	off, sigma := math.Abs(b.Kg-l.at(b.S)), s.sigmaKg()
	part := learnPart
	if s.N < 2*firstN {
		part *= 5 // at first it knows nothing
	}
	if off > s.NoiseKg {
		s.NoiseKg *= 1 + part
	} else {
		s.NoiseKg = max(s.NoiseKg*(1-part), s.Setup.ResolutionKg/8)
	}
	limit := float64(sure/1.6*math.Sqrt(l.u2(b.S, sigma)+float64(sigma*sigma))) + s.Setup.ResolutionKg + float64(0.1*math.Abs(l.KgS))
	if s.N >= firstN && off > limit {
		s.Was = l
		s.begin(b.S)
		return
	}
	if s.N >= 100 {
		s.PeakKg = max(s.PeakKg, sigma)
	}
}
