package fillcalc

import (
	"cmp"
	"slices"
)

// Trouble is a time in which an instrument that counted was silent, or said itself that
// something was wrong. Whether the temperature was known when the level was judged is a
// matter of the rule for the level.
type Trouble struct {
	Sensor       string
	Faults       Faults // what it said; none when it was silent
	FromNs, ToNs int64
}

// Silent reports whether it was silent.
func (t *Trouble) Silent() bool { return t.Faults == 0 }

// Faults that an instrument reports itself. A damaged frame between good ones hides nothing,
// and is no trouble.
const reportedFaults = FaultOverload | FaultUnderload | FaultSensor | FaultUnit | FaultNoUnit

// watched is an instrument of a job while its values are followed.
type watched struct {
	Sensor  string
	SinceNs int64   // its last value, or when it began to count; 0 while it does not count
	Lasts   Trouble // the fault that lasts; without a sensor: none
}

// needed reports whether instrument k of the watched ones counts in the present phase: the
// scales, and behind them the probe, which counts while the level is checked.
func (s *State) needed(k int) bool {
	if k == s.ScaleN {
		return s.Job.Phase == Checking && s.Job.Watched[k].Sensor != ""
	}
	return k < s.ScaleN && counts(s.Scales[k].Setup.Load, s.Job.Phase)
}

func (s *State) maxSilenceNs(k int) int64 {
	if k == s.ScaleN {
		return ProbeSilentNs
	}
	return ScaleSilentNs
}

// rewatch follows the instruments of a setup. One that was there before keeps the time of its
// last value.
func (s *State) rewatch() {
	before := s.Job.Watched
	s.Job.Watched = [3]watched{}
	for k := range s.Job.Watched[:s.ScaleN+1] {
		w := &s.Job.Watched[k]
		if k < s.ScaleN {
			w.Sensor = s.Scales[k].Setup.Sensor
		} else {
			p, _ := s.Setup.WindowProbe()
			w.Sensor = p.Sensor
		}
		for _, b := range before {
			if w.Sensor != "" && b.Sensor == w.Sensor {
				*w = b
			}
		}
	}
	s.watchPhase()
}

// watchPhase begins and ends the watch of the instruments with the phase.
func (s *State) watchPhase() {
	for k := range s.Job.Watched {
		w := &s.Job.Watched[k]
		switch needed := s.needed(k); {
		case needed && w.SinceNs == 0:
			w.SinceNs = s.NowNs
		case !needed && w.SinceNs != 0:
			s.Job.trouble(s.silence(k))
			s.Job.trouble(w.Lasts)
			w.SinceNs, w.Lasts = 0, Trouble{}
		}
	}
}

// silence returns the time since the last value of an instrument, if that is too long.
func (s *State) silence(k int) (t Trouble) {
	if w := &s.Job.Watched[k]; w.SinceNs != 0 && s.NowNs-w.SinceNs > s.maxSilenceNs(k) {
		return Trouble{Sensor: w.Sensor, FromNs: w.SinceNs, ToNs: s.NowNs}
	}
	return t
}

// watch takes a frame of an instrument.
func (s *State) watch(e *Event) {
	for k := range s.Job.Watched {
		w := &s.Job.Watched[k]
		if w.Sensor != e.Sensor || w.SinceNs == 0 {
			continue
		}
		if !e.Faults.Hidden() {
			s.Job.trouble(s.silence(k))
			w.SinceNs = s.NowNs
		}
		// The same faults in successive frames are one trouble.
		if faults := e.Faults & reportedFaults; faults != w.Lasts.Faults {
			s.Job.trouble(w.Lasts)
			if w.Lasts = (Trouble{}); faults != 0 {
				w.Lasts = Trouble{w.Sensor, faults, s.NowNs, s.NowNs}
			}
		}
		if w.Lasts.Faults != 0 {
			w.Lasts.ToNs = s.NowNs
		}
	}
}

// trouble adds a trouble, if it is one, to the job's.
func (j *Job) trouble(t Trouble) {
	if t.Sensor != "" && len(j.Troubles) < maxEntries {
		j.Troubles = append(slices.Clone(j.Troubles), t)
	}
}

// Troubles lists the job's troubles in order of time, those included that last.
func (s *State) Troubles() []Trouble {
	j := s.Job // a copy: its list is not changed in place
	for k := range j.Watched {
		j.trouble(s.silence(k))
		j.trouble(j.Watched[k].Lasts)
	}
	list := slices.Clone(j.Troubles)
	slices.SortStableFunc(list, func(a, b Trouble) int { return cmp.Compare(a.FromNs, b.FromNs) })
	return list
}
