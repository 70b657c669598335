package fillcalc

import "math"

// Line is the stop line of pouring now: the first fill, or the target once the engine has
// run, or what a reading of the level asks for. Litres are at the reference temperature; a figure that is not known is NaN.
type Line struct {
	AtL float64 // as what went in, in all passes
	ToL float64 // still to pour; negative: too much
	ToS float64 // at the present flow; NaN while nothing flows
}

const (
	// Nearer than this to the line, what still falls out of the bottle matters.
	nearLineL = 0.05
	// A hand stops so long after it was told to (common practice, no source).
	handS = 1.0
	// Slower than this nothing is poured: it drips.
	poursLMin = 0.1
	// Of less too much nobody is told to draw it off: less than a dipstick shows (common
	// practice, no source).
	drawOffL = 0.1
)

// Line returns the stop line at the state's time; ok is false while nothing is to be poured,
// or while the plan is not known.
func (s *State) Line() (l Line, ok bool) {
	if s.Job.Phase.place() < Filling.place() || !s.Job.Phase.Open() {
		return l, false
	}
	plan, err := s.Plan()
	if err != nil {
		return l, false
	}
	toL := plan.RemainingL
	if r, read := s.reading(); read {
		toL = r.toPourL(toL)
	}
	l = Line{AtL: plan.BeforeL + plan.InL + toL, ToL: toL, ToS: math.NaN()}
	if flowLMin := s.Volumes().AddedLMin; flowLMin > poursLMin {
		l.ToS = max(0, l.ToL/(flowLMin/60))
	}
	return l, true
}

// pouring asks the hand that pours to slow down or to stop, early enough that it can; ok is
// false while it may pour on. At an opening the level shows itself where to stop.
func (s *State) pouring() (a Ask, ok bool) {
	l, known := s.Line()
	if !known || s.overflowing() {
		return a, false
	}
	if math.IsNaN(l.ToS) {
		return s.tooMuch()
	}
	leadL := s.Volumes().AddedLMin / 60 * handS
	switch {
	case l.ToL > nearLineL+leadL:
		return a, false
	case l.ToL > leadL:
		return Ask{Text: Text{Key: "ask.slow", Figures: figures{"more_l": l.ToL}}, Tone: ToneSlow}, true
	case l.ToL >= -shownL:
		return Ask{Text: Text{Key: "ask.stop"}, Tone: ToneStop}, true
	case !s.Job.engineRan():
		return Ask{Text: Text{Key: "ask.past_first_fill", Figures: figures{"over_l": -l.ToL}}, Tone: ToneStop}, true
	}
	return Ask{Text: Text{Key: "ask.too_much", Figures: figures{"over_l": -l.ToL}}, Tone: ToneStop}, true
}

// tooMuch asks to draw off what is certainly above the target.
func (s *State) tooMuch() (a Ask, ok bool) {
	if _, read := s.reading(); read {
		return a, false // see levelWork
	}
	plan, err := s.WholePlan()
	if err != nil || -plan.RemainingL <= float64(2*plan.RemainingUL)+drawOffL {
		return a, false
	}
	return Ask{Text: Text{Key: "ask.draw_off", Figures: figures{"over_l": -plan.RemainingL, "over_u_l": 2 * plan.RemainingUL}}, Tone: ToneStop}, true
}
