package fillcalc

import (
	"fmt"
	"math"
)

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
	// ... and a friendlier state is entered only when it has been due for this long.
	// Open ends at once.
	dwellNs = 3e9
	// A warm-up of a gearbox is slower than this, and so is its cooling (common
	// practice, no source: some 5 °C a minute): what moves faster is no fluid.
	implausibleCMin = 30.0
)

// Window is the fold's memory of the check window.
type Window struct {
	State WindowState
	// Due is the state that the temperature asks for, since DueNs.
	Due   WindowState
	DueNs int64
}

// CheckWindow is what there is to say about the check window. Unknown figures
// are NaN.
type CheckWindow struct {
	State    WindowState
	TempC    float64 // of the fluid, lag and offset of the probe corrected
	LowC     float64
	HighC    float64
	RateCMin float64
	Quality  string // "good", or why the state is blind, or what stands in for the fluid's temperature
	// LevelShiftML is by how much the level stands too high for being judged now
	// instead of in the middle of the window, LevelShiftShare the same as a share of
	// the way between the marks; NaN when the capacity or the marks are not known.
	LevelShiftML, LevelShiftShare float64
}

// due is the state that a temperature asks for, with hysteresis about the one
// that holds.
func due(was WindowState, celsius, rateCMin, lowC, highC float64) WindowState {
	inside := was == Open || was == Closing
	switch {
	case celsius < lowC && !(inside && celsius >= lowC-hysteresisC):
		edge := lowC - nearingC
		if was == Nearing {
			edge -= hysteresisC
		}
		if celsius >= edge {
			return Nearing
		}
		return Below
	case celsius > highC && !(inside && celsius <= highC+hysteresisC):
		return Above
	case was == Above && celsius > highC-hysteresisC:
		return Above
	case !inside && was != Above && celsius < lowC+hysteresisC:
		return Nearing
	}
	edge := highC - closingC
	if was == Closing {
		edge -= hysteresisC
	}
	// A rate within noise of none neither begins nor ends the closing.
	if celsius >= edge && (rateCMin > 0.2 || was == Closing && rateCMin > -0.2) {
		return Closing
	}
	return Open
}

// moveWindow follows the probe. Leaving the window is said at once; everything
// else must have been due for a while.
func (s *State) moveWindow() {
	p, _ := s.fluidProbe()
	if !s.Job.Phase.Open() || p.LastNs == 0 {
		return
	}
	w := &s.Window
	if p.SinceNs == p.LastNs || p.WildNs == p.LastNs {
		// After a hole, or where no fluid can be, it begins again.
		*w = Window{State: Blind, Due: Blind, DueNs: p.LastNs}
	}
	to := due(w.State, p.fluidC(), p.rateCMin(), s.Job.Spec.LowC, s.Job.Spec.HighC)
	if to != w.Due {
		w.Due, w.DueNs = to, p.LastNs
	}
	inside := w.State == Open || w.State == Closing
	leaves := inside && to != Open && to != Closing
	if leaves || p.LastNs-w.DueNs >= dwellNs {
		w.State = to
	}
}

// fluidProbe is the probe that the check window follows: the one in the
// transmission, or the engine's coolant where there is none.
func (s *State) fluidProbe() (p *Probe, standsIn bool) {
	if s.Probe.Sensor == "" && s.Coolant.Sensor != "" {
		return &s.Coolant, true
	}
	return &s.Probe, false
}

// CheckWindow reports on the window at the state's time.
func (s *State) CheckWindow() CheckWindow {
	nan := math.NaN()
	w := CheckWindow{State: Blind, TempC: nan, LowC: nan, HighC: nan, RateCMin: nan, LevelShiftML: nan, LevelShiftShare: nan}
	spec := &s.Job.Spec
	if s.Job.Phase.Open() {
		w.LowC, w.HighC = spec.LowC, spec.HighC
	}
	p, standsIn := s.fluidProbe()
	if w.Quality = p.fault(s.NowNs); w.Quality != "" {
		return w
	}
	w.TempC, w.RateCMin = p.fluidC(), p.rateCMin()
	w.Quality = "good"
	if standsIn {
		w.Quality = fmt.Sprintf("coolant: probe %s stands in for the fluid's temperature, which follows later", p.Sensor)
	}
	if !s.Job.Phase.Open() {
		w.Quality = "no job is open"
		return w
	}
	if w.State = s.Window.State; w.State == Blind {
		w.Quality = "probe " + p.Sensor + " is watched for a few seconds first"
	}
	if spec.TotalL > 0 {
		if mL, share, err := LevelShift(spec.Fresh, spec.TotalL, spec.BetweenMarksL, w.TempC, (spec.LowC+spec.HighC)/2); err == nil {
			w.LevelShiftML = mL
			if spec.BetweenMarksL > 0 {
				w.LevelShiftShare = share
			}
		}
	}
	return w
}
