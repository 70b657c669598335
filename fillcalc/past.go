package fillcalc

import "slices"

// Moment is what was known while the level could be judged, so that a judgement can be
// entered afterwards.
type Moment struct {
	AtNs   int64
	Window WindowState
	TempC  *float64 // of the fluid; nil if it was not known
	// What had been added and had run out again, in litres; nil if it was not known.
	AddedL, AgainL *float64
}

const (
	// A judgement can be entered for so long: who remembers longer has written it down
	// (common practice, no source).
	lateNs = 30 * 60e9
	// Between two moments neither temperature nor level has changed by what counts.
	momentNs = 10e9
	// More are kept only if the window's state flickers.
	maxMoments = 256
)

// remember keeps the present moment of the check: each change of the window's state, and one
// now and then.
func (s *State) remember() {
	list := s.Job.Past
	if n := len(list); n > 0 && list[n-1].Window == s.windowState() && s.NowNs-list[n-1].AtNs < momentNs {
		return
	}
	from := max(0, len(list)+1-maxMoments)
	for from+1 < len(list) && list[from+1].AtNs < s.NowNs-lateNs {
		from++
	}
	s.Job.Past = append(slices.Clone(list[from:]), s.moment())
}

// moment returns what is known now.
func (s *State) moment() Moment {
	w, v := s.CheckWindow(), s.Volumes()
	return Moment{s.NowNs, w.State, known(w.TempC), known(v.AddedL), known(v.OverflowL)}
}

// windowState is the state of the check window without its figures.
func (s *State) windowState() WindowState {
	if p, _ := s.fluidProbe(); s.Window.Still || !p.quality(s.NowNs).Good() {
		return Blind
	}
	return s.Window.State
}

// checkLate refuses a time at which nobody can have judged the level.
func (s *State) checkLate(r *Record) error {
	refuse := func(key string, n names) error { return &Refusal{Field: "at", Text: Text{Key: key, Names: n}} }
	switch past := s.Job.Past; {
	case r.AtNs == 0:
	case r.Item != LevelAfter:
		return refuse("refuse.late_item", nil)
	case r.AtNs > s.NowNs:
		return refuse("refuse.late_future", nil)
	case s.Job.Phase != Checking, len(past) == 0, r.AtNs < past[0].AtNs, r.AtNs < s.Job.PhaseNs:
		return refuse("refuse.late_before", nil)
	case s.NowNs-r.AtNs > lateNs:
		return refuse("refuse.late_long", nil)
	}
	return nil
}

// at returns the moment at a time of the check.
func (s *State) at(ns int64) (m Moment) {
	for _, m = range slices.Backward(s.Job.Past) {
		if m.AtNs <= ns {
			break
		}
	}
	return m
}

// closedNs is when the window last closed within the time in which a judgement can be entered;
// 0 if it is open, or was not.
func (s *State) closedNs() (ns int64) {
	list := s.Job.Past
	for i := range list {
		switch {
		case inside(list[i].Window):
			ns = 0
		case i > 0 && inside(list[i-1].Window):
			ns = list[i].AtNs
		}
	}
	if s.NowNs-ns > lateNs {
		return 0
	}
	return ns
}
