package fillcalc

import "math"

// move is a change that was held and has settled.
type move struct {
	Kg float64 // beyond what flowed meanwhile
	U2 float64 // kg², of the division between the two
}

func (s *Scale) hold(cause Cause, before past, atNs int64) {
	s.Follow, s.Cause, s.Before = held, cause, before
	s.SinceNs, s.BentNs, s.FastNs, s.CalmN = atNs, atNs, atNs, 0
	s.UpKgS, s.DownKgS = before.FlowKgS, before.FlowKgS
	s.RunsNs, s.RanUpKgS, s.RanDownKgS = 0, before.FlowKgS, before.FlowKgS
}

// restart takes the level from one reading: nothing from before bears on it.
func (s *Scale) restart(atNs int64, kg float64) {
	s.LastNs, s.LevelKg, s.SlowKg = atNs, kg, kg
	s.PastN, s.PastAt = 0, 0
	s.remember(atNs)
}

// settle ends a hold: it divides what changed into what flowed and what did not.
func (s *Scale) settle(atNs int64) move {
	s.Follow = following
	change := s.LevelKg - s.Before.LevelKg
	was, now := s.Before.FlowKgS, s.slopeKgS(atNs, straightNs)
	cut := s.bent(atNs)
	if cut {
		now = was // the end of a step is no stream
	}
	if weak := float64(s.bandKg() / 4); math.Abs(was) < weak && math.Abs(now-was) < float64(2*weak) {
		// Hardly a stream, and no figure is good to less than that: the least of them.
		for _, kgS := range [...]float64{s.Before.LateKgS, now} {
			if math.Abs(kgS) < math.Abs(was) {
				was = kgS
			}
		}
		now = was
	}
	var m move
	switch s.Cause {
	case Away, Backward:
		if math.Abs(change) > s.bandKg() {
			m.Kg = change
		}
	default:
		seconds := float64(atNs-s.Before.AtNs) / 1e9
		// A stream fluctuates by about a quarter of itself for a second.
		strong := max(math.Abs(was), math.Abs(now))
		slack := s.partOfBandKg(0.5) + float64(0.25*strong)
		flowed := float64((was + now) / 2 * seconds)
		low, high := flowed, flowed
		if s.Cause == Sudden && s.between(was, now) {
			// Never steeper than the streams: one may have become the other at any moment.
			low, high = float64(min(was, now)*seconds), float64(max(was, now)*seconds)
		}
		if s.Cause == Sudden && cut && !s.runsOn(s.slopeKgS(atNs, straightNs/2)) && s.between(was, 0) {
			low, high = min(low, 0), max(high, 0) // the stream may have ended
		}
		if change < low-slack || change > high+slack {
			m.Kg = change - flowed
		}
		// The flow is known to about an eighth of a step of the display a second and
		// a twentieth of itself, and it may have changed from one to the other at any
		// moment; so may one that ran in between only.
		least, most := min(was, now), max(was, now)
		if s.Cause == TooFast {
			least, most = min(least, s.RanDownKgS), max(most, s.RanUpKgS)
		}
		u := float64((float64(s.Setup.ResolutionKg/8) + float64(0.05*strong) + float64((most-least)/4)) * seconds)
		m.U2 = float64(u * u)
	}
	m.U2 += 2 * s.weighingU2()
	if m.Kg != 0 || s.Cause == Away {
		s.PeakKg, s.FarKg = s.LevelKg, s.LevelKg
	}
	s.takeFlow(atNs, now)
	return m
}

// run notes a stream that runs while something is held: how much of the change it
// was is not known. What slows down is the tail of an indicator's filter.
func (s *Scale) run(atNs int64) {
	kgS := s.slopeKgS(atNs, straightNs)
	switch {
	case s.BentNs == atNs || math.Abs(kgS) <= s.bandKg(), math.Abs(s.slopeKgS(atNs, straightNs/2)) < 0.8*math.Abs(kgS):
		s.RunsNs = 0
	case s.RunsNs == 0:
		s.RunsNs = atNs
	case atNs-s.RunsNs >= ranNs:
		s.RanUpKgS, s.RanDownKgS = max(s.RanUpKgS, kgS), min(s.RanDownKgS, kgS)
	}
}

// takeFlow starts a new trend: what was kept during a hold is none, and a second
// change soon after must not be measured against it.
func (s *Scale) takeFlow(atNs int64, kgS float64) {
	s.SlowKg = s.LevelKg - float64(kgS*(slowTauS-levelTauS))
	if float64(float64(s.Direction)*kgS) > -s.bandKg()/5 {
		// On a stream the slow average lags; behind it nothing has turned back.
		if (s.SlowKg < s.PeakKg) == (s.Direction > 0) {
			s.PeakKg = s.SlowKg
		}
		s.AheadNs = atNs
	}
	s.PastN, s.PastAt = 0, 0
	s.remember(atNs)
}

// movesOn reports whether the level still moves at another speed than before, and
// not only because a filter has not caught up with it yet.
func (s *Scale) movesOn(atNs int64) bool {
	slope, before := s.slopeKgS(atNs, straightNs/2), s.slopeKgS(atNs, straightNs)
	if !s.between(slope, s.Before.FlowKgS) || math.Abs(slope)-math.Abs(before) > float64(s.bandKg()/2)+float64(0.25*math.Abs(slope)) {
		return false // something else than a stream was in it, or comes just now
	}
	beyond := slope - s.Before.FlowKgS
	change := s.LevelKg - s.Before.LevelKg - float64(s.Before.FlowKgS*(float64(atNs-s.Before.AtNs)/1e9))
	return math.Abs(beyond) > s.bandKg()/2 && math.Abs(beyond) > 0.2*math.Abs(change)
}

// mayBeStep reports whether a small change that looks like the beginning or the end of a
// stream may yet prove to be a step, which a filter smears into a straight line.
func (s *Scale) mayBeStep(atNs int64) bool {
	return s.Cause == Sudden && atNs-s.SinceNs < suddenNs && math.Abs(s.LevelKg-s.Before.LevelKg) < float64(2*s.bandKg()) &&
		math.Abs(s.slopeKgS(atNs, straightNs)-s.Before.FlowKgS) > s.bandKg()/4
}

// between reports whether the level never moved faster than two streams, or one way
// while they run the other. A stream fluctuates by about a quarter of itself.
func (s *Scale) between(aKgS, bKgS float64) bool {
	slack := s.bandKg() + float64(0.25*max(math.Abs(aKgS), math.Abs(bKgS)))
	return s.UpKgS <= max(aKgS, bKgS)+slack && s.DownKgS >= min(aKgS, bKgS)-slack
}

// runsOn reports whether a stream of before the hold is still the same.
func (s *Scale) runsOn(kgS float64) bool {
	was := s.Before.FlowKgS
	return math.Abs(was) > s.bandKg() && math.Abs(kgS-was) <= float64(s.bandKg()/2)+float64(0.25*math.Abs(was))
}

// goesBack reports whether the level still moves against its direction, faster
// than the band in five seconds.
func (s *Scale) goesBack(atNs int64) bool {
	return float64(float64(s.Direction)*s.slopeKgS(atNs, straightNs)) < -s.bandKg()/5
}

// streamsBack reports whether what is held has become a stream that no fluid makes:
// against its direction, and stronger than any drip.
func (s *Scale) streamsBack(atNs int64) bool {
	return float64(float64(s.Direction)*s.slopeKgS(atNs, straightNs)) < -max(float64(s.bandKg()/2), 4*mostDripKgS)
}
