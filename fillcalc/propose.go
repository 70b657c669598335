package fillcalc

import "math"

// stream is fluid that is seen to run onto a scale, or off it, before the phase in which it
// counts has begun.
type stream struct {
	SinceNs int64 // 0: none runs
	LastNs  int64
	FromKg  float64 // what the scale showed before it
}

// stoppedS is how long nothing must have come out of the pan before the service is proposed
// (common practice, no source).
const stoppedS = 120

// seeStream looks for fluid that begins to run in a phase in which scale i does not count, or
// counts the other way.
func (s *State) seeStream(i int) {
	sc, b := &s.Scales[i], &s.Job.Streams[i]
	way := 0.0
	switch {
	case s.Job.Phase == Ready && sc.Setup.Load != SupplyLoad:
		way = 1
	case s.Job.Phase == Service && sc.Setup.Load != CaddyLoad:
		way = -1
	}
	l, ok := sc.runs(way)
	switch {
	case ok && b.SinceNs == 0:
		*b = stream{s.NowNs, s.NowNs, l.at(l.FromS)}
	case ok:
		b.LastNs = s.NowNs
	case s.NowNs-b.LastNs > endedNs:
		*b = stream{}
	}
}

// begun reports how much has run onto scale i or off it since fluid began to run there, in
// kg; ok is false if none does, or if it may be something else.
func (s *State) begun(i int) (kg float64, ok bool) {
	b := &s.Job.Streams[i]
	kg = math.Abs(s.Scales[i].LevelKg - b.FromKg)
	return kg, b.SinceNs > 0 && s.NowNs-b.LastNs <= endedNs && b.LastNs-b.SinceNs >= lastsNs && kg >= runsKg
}

// countFrom lets a phase count from before the stream that had begun when it was entered.
func (s *State) countFrom(seen [2]bool) {
	for i := range s.Scales[:s.ScaleN] {
		l := &s.Job.Ledgers[i]
		if m := l.mark(); seen[i] && m != nil && m.AtNs >= s.Job.Streams[i].SinceNs {
			m.Settled = s.before(i, s.Job.Streams[i].SinceNs, s.Job.Streams[i].FromKg)
		}
	}
	s.Job.Streams = [2]stream{}
}

// proposed asks whether the phase that the signal shows has begun.
func (s *State) proposed() (a Ask, ok bool) {
	propose := func(key string, p Phase, f figures) (Ask, bool) {
		return Ask{Text: Text{Key: key, Figures: f}, Tone: ToneDo, Do: DoPhase, Phase: p}, true
	}
	for i := range s.Scales[:s.ScaleN] {
		kg, runs := s.begun(i)
		switch {
		case runs && s.Job.Phase == Ready:
			return propose("ask.seems_draining", Draining, figures{"ran_l": s.changeL(kg, DrainedTally)})
		case runs && s.Job.Phase == Service:
			return propose("ask.seems_filling", Filling, figures{"ran_l": s.changeL(kg, AddedTally)})
		case s.Job.Phase != Draining || s.Scales[i].Setup.Load == SupplyLoad || s.shownKg(DrainedTally) < minDrainedKg:
		case s.quiet(i):
			return propose("ask.seems_service", Service, figures{"quiet_s": stoppedS})
		default:
			if kg, is := s.tipped(i); is {
				return propose("ask.seems_tipped", Service, figures{"came_kg": kg})
			}
		}
	}
	return a, false
}

// quiet reports whether nothing has come onto scale i for long, and by the drops before nothing
// is to be expected that the scale would show.
func (s *State) quiet(i int) bool {
	sc := &s.Scales[i]
	rests := sc.Rest.Now && !sc.Rest.Drips && sc.back(0).S-max(sc.From, float64(s.Job.PhaseNs-sc.T0Ns)/1e9) > stoppedS
	f := s.Tail.Forecast(s.NowNs)
	return rests && !(f.Known && f.Drips && f.In5MinKg > 2*sc.Setup.ResolutionKg)
}

// leastTippedKg is what is tipped out of a pan at least (common practice, no source).
const leastTippedKg = 0.05

// tipped returns what was tipped onto scale i, or laid there, while it only dripped.
func (s *State) tipped(i int) (kg float64, ok bool) {
	sc, dripsNs := &s.Scales[i], s.Tail.DripsNs
	if dripsNs == 0 || s.NowNs-dripsNs >= stoppedS*1e9 {
		return 0, false
	}
	for k := range s.Job.Changes {
		c := &s.Job.Changes[k]
		if c.Sensor == sc.Setup.Sensor && c.Kg >= leastTippedKg && c.FromNs >= s.Job.PhaseNs && c.AtNs >= dripsNs-10e9 {
			return c.Kg, true
		}
	}
	return 0, false
}
