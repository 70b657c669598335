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
		case s.Scales[i].Setup.Load != SupplyLoad && s.Job.Phase == Draining && s.drained(i):
			return propose("ask.seems_service", Service, nil)
		}
	}
	return a, false
}

// drained reports whether nothing has come onto scale i for long, or something was laid or
// tipped there while it only dripped.
func (s *State) drained(i int) bool {
	sc := &s.Scales[i]
	if s.shownKg(DrainedTally) < minDrainedKg {
		return false
	}
	if sc.Rest.Now && !sc.Rest.Drips && sc.back(0).S-max(sc.From, float64(s.Job.PhaseNs-sc.T0Ns)/1e9) > stoppedS {
		return true
	}
	for k := range s.Job.Changes {
		if c := &s.Job.Changes[k]; c.Sensor == sc.Setup.Sensor && c.Kg > 0 && c.FromNs >= s.Job.PhaseNs && s.Tail.DripsNs > 0 && s.NowNs-s.Tail.DripsNs < stoppedS*1e9 && c.AtNs >= s.Tail.DripsNs-10e9 {
			return true
		}
	}
	return false
}
