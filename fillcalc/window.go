package fillcalc

import "math"

// WindowState says whether the level may be judged now.
type WindowState string

const (
	Blind   WindowState = "blind"   // the temperature is not known
	Below   WindowState = "below"   // too cold
	Nearing WindowState = "nearing" // too cold, but within nearingC of the window
	Open    WindowState = "open"    // judge the level now
	Closing WindowState = "closing" // still inside, within closingC of the upper end and rising
	Above   WindowState = "above"   // too hot
)

const (
	nearingC = 5.0
	closingC = 2.0
	// A state is left only when the temperature is past its limit by this much, so
	// that noise at a limit does not make it flicker.
	hysteresisC = 0.3
)

// CheckWindow is what there is to say about the check window. Unknown figures
// are NaN.
type CheckWindow struct {
	State    WindowState
	TempC    float64
	LowC     float64
	HighC    float64
	RateCMin float64
	Quality  string // "good", or why the state is blind
}

// nextWindow moves the state with hysteresis; it never opens outside the window.
func nextWindow(was WindowState, celsius, rateCMin, lowC, highC float64) WindowState {
	inside := was == Open || was == Closing
	switch {
	case celsius < lowC && !(inside && celsius >= lowC-hysteresisC):
		if celsius >= lowC-nearingC {
			return Nearing
		}
		return Below
	case celsius > highC && !(inside && celsius <= highC+hysteresisC):
		return Above
	case was == Above && celsius > highC-hysteresisC:
		return Above
	case was != Open && was != Closing && was != Above && celsius < lowC+hysteresisC:
		return Nearing
	case celsius >= highC-closingC && rateCMin > 0:
		return Closing
	}
	return Open
}

// CheckWindow reports on the window at the state's time.
func (s *State) CheckWindow() CheckWindow {
	nan := math.NaN()
	w := CheckWindow{State: Blind, TempC: nan, LowC: nan, HighC: nan, RateCMin: nan}
	if s.Job.Phase.Open() {
		w.LowC, w.HighC = s.Job.Spec.LowC, s.Job.Spec.HighC
	}
	p := &s.Probe
	if w.Quality = p.fault(s.NowNs); w.Quality != "" {
		return w
	}
	w.TempC, w.RateCMin = p.FastC, p.rateCMin()
	w.Quality = "good"
	if s.Job.Phase.Open() {
		w.State = s.Window
	} else {
		w.Quality = "no job is open"
	}
	return w
}
