package fillcalc

import "slices"

const (
	// So soon somebody who took the wrong phase, or heard at once that something is wrong,
	// has gone back: the engine has not moved the fluid yet (common practice, no source).
	startedNs = 30e9
	// With less of the first fill missing than this share an engine is started: nobody stops
	// pouring exactly at the line (common practice, no source).
	shortShare = 0.1
	// A first fill of less is none: nothing was drained.
	leastFirstFillL = 0.5
)

// Engine says whether the engine has run in a phase that is left.
type Engine string

const (
	EngineRan    Engine = "ran"
	EngineNotRun Engine = "not_run"
)

// runs reports whether the engine runs in a phase.
func (p Phase) runs() bool { return p == Running || p == Checking }

// engineRan reports whether the engine has run since fluid was last drained. Who goes back
// from running to an earlier phase says whether it has; otherwise it has if a gear was
// engaged, or if it took longer than startedNs.
func (j *Job) engineRan() bool {
	ran, fromNs := false, int64(0)
	for _, p := range j.Phases {
		switch {
		case p.Phase.runs():
			if fromNs == 0 {
				fromNs = p.AtNs
			}
			continue
		case fromNs > 0:
			ran = ran || p.Phase == Closed || p.Engine == EngineRan || p.Engine == "" && j.moved(fromNs, p.AtNs)
			fromNs = 0
		}
		if p.Phase == Draining {
			ran = false // what it ran with is out again
		}
	}
	return ran || fromNs > 0
}

// moved reports whether fluid was moved by the engine while it was said to run.
func (j *Job) moved(fromNs, toNs int64) bool {
	return toNs-fromNs >= startedNs || slices.ContainsFunc(j.Gears, func(g Gear) bool { return g.FromNs >= fromNs && g.FromNs < toNs })
}

// tooEarly asks back about a phase that would harm the transmission, or that leaves out what
// comes before it; nil if it may begin. It judges by what is in now and by the present
// phase, so that a phase that was begun by mistake leaves no trace.
func (s *State) tooEarly(p Phase) *Refusal {
	refuse := func(key string, f figures, n names) *Refusal {
		return &Refusal{Field: "phase", Text: Text{key, f, n}, Insist: true}
	}
	if now := s.Job.Phase; p.runs() && !now.runs() {
		switch plan, err := s.Plan(); {
		case err != nil:
			return refuse("refuse.fill_unknown", nil, nil)
		case plan.FirstFillL >= leastFirstFillL && plan.FirstFillL-plan.InL > float64(2*plan.RemainingUL)+float64(shortShare*plan.FirstFillL):
			return refuse("refuse.too_little_in", figures{"in_l": max(0, plan.InL), "first_fill_l": plan.FirstFillL}, nil)
		}
	}
	if skipped := s.Job.Phase.skips(p); skipped != NoJob {
		return refuse("refuse.skips", nil, names{"phase": string(skipped)})
	}
	return nil
}

// skips returns the phase that would be left out when another one begins; NoJob if none is.
// A fill without other service is ordinary work.
func (p Phase) skips(to Phase) Phase {
	next := p.place() + 1
	if p == Draining && to == Filling {
		next++
	}
	if to.place() > next {
		return phaseOrder[next]
	}
	return NoJob
}
