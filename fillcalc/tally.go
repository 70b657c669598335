package fillcalc

// Tally names an account of a job.
type Tally uint8

const (
	NoTally Tally = iota
	DrainedTally
	AddedTally
	OverflowTally // fresh fluid that ran out again: of the check opening, or below while it was poured in
)

func (t Tally) String() string { return [...]string{"none", "drained", "added", "overflow"}[min(t, 3)] }

// sign is 1 where an account grows with the weight of its scale.
func (t Tally) sign() float64 {
	if t == AddedTally {
		return -1
	}
	return 1
}

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

// feeds returns the account that a scale feeds in the present phase.
func (j *Job) feeds(load Load) Tally {
	switch {
	case load == SupplyLoad, load == BothLoad && j.way(load) < 0:
		return AddedTally
	case j.Phase == Checking && j.Spec.Check == ByOverflow, load == CaddyLoad && j.Loss.Lost:
		return OverflowTally
	}
	return DrainedTally
}

// tallyOf returns the account that a change would go to if it were fluid.
func (j *Job) tallyOf(load Load, kg float64) Tally {
	if load == BothLoad && kg > 0 {
		return DrainedTally
	}
	return j.feeds(load)
}

// way is 1 where fluid makes a scale heavier in the present phase, and -1 where it
// makes it lighter.
func (j *Job) way(load Load) float64 {
	if load == SupplyLoad || load == BothLoad && j.Phase.place() >= Filling.place() {
		return -1
	}
	return 1
}

// wayAt returns the way at a time of the past.
func (j *Job) wayAt(load Load, ns int64) float64 {
	phase := Ready
	for _, p := range j.Phases {
		if p.AtNs <= ns {
			phase = p.Phase
		}
	}
	return (&Job{Phase: phase}).way(load)
}

// overflowing reports whether fluid may run out of the check opening.
func (s *State) overflowing() bool {
	return s.Job.Phase == Checking && s.Job.Spec.Check == ByOverflow
}

// turnTo begins a phase. A scale that feeds another account from now on is weighed.
func (s *State) turnTo(phase Phase) {
	j := &s.Job
	j.Phase, j.PhaseNs = phase, s.NowNs
	if phase == Draining || phase == Service {
		j.Loss.Lost = false
	}
	s.watchPhase()
	for i := range s.Scales[:s.ScaleN] {
		sc, l := &s.Scales[i], &j.Ledgers[i]
		now := sc.now(len(j.Changes))
		into := NoTally
		if counts(sc.Setup.Load, phase) {
			into = j.feeds(sc.Setup.Load)
		}
		switch {
		case l.MarkN == 0 && into == NoTally:
		case !phase.Open():
			l.End = now
		case l.MarkN == 0 || l.mark().Into != into:
			l.Marks[l.MarkN] = Mark{now, into}
			l.MarkN++
			l.Top = Settled{}
		}
	}
}

// turns reports whether a scale can turn to another account once more.
func (j *Job) turns() bool {
	for i := range j.Ledgers {
		if j.Ledgers[i].MarkN >= len(j.Ledgers[i].Marks)-1 {
			return false
		}
	}
	return true
}

// shownKg returns an account at the state's time, in kg as the scale shows it.
func (s *State) shownKg(t Tally) float64 {
	kg := 0.0
	for i := range s.Scales[:s.ScaleN] {
		l := &s.Job.Ledgers[i]
		for k := range l.MarkN {
			if l.Marks[k].Into == t {
				from, to := s.segment(i, k)
				rise, _ := s.Job.rise(s.Scales[i].Setup.Sensor, &from, &to)
				kg += float64(t.sign() * rise)
			}
		}
		kg += l.Drip.into(t)
	}
	return kg
}

// segment returns the weighings between which scale i fed the account of its mark k.
func (s *State) segment(i, k int) (from, to Settled) {
	l := &s.Job.Ledgers[i]
	switch {
	case k+1 < l.MarkN:
		to = l.Marks[k+1].Settled
	case l.End.Taken:
		to = l.End
	default:
		to = s.Scales[i].now(len(s.Job.Changes))
	}
	return l.Marks[k].Settled, to
}

// begun reports whether an account has counted since the baseline.
func (j *Job) begun(t Tally) bool {
	for i := range j.Ledgers {
		l := &j.Ledgers[i]
		for k := range l.MarkN {
			if l.Marks[k].Into == t {
				return true
			}
		}
		if t == OverflowTally && l.Drip.Over > 0 {
			return true
		}
	}
	return false
}
