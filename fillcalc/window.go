package fillcalc

import (
	"math"
)

// WindowState says whether the level may be judged now.
type WindowState string

const (
	NoWindow WindowState = "none"    // no job is open
	Blind    WindowState = "blind"   // the temperature is not known
	Below    WindowState = "below"   // too cold
	Nearing  WindowState = "nearing" // too cold, but within nearingC of the window
	Open     WindowState = "open"    // judge the level now
	Closing  WindowState = "closing" // still inside, within closingC of the upper limit and rising
	Above    WindowState = "above"   // too hot
)

const (
	// Time to walk to the car, and time to finish.
	nearingC = 5.0
	closingC = 2.0
	// Hysteresis, so that noise at a limit does not make the state flicker: the larger
	// of hysteresisC and hysteresisU standard uncertainties.
	hysteresisC  = 0.3
	nearingHystC = 1.0
	hysteresisU  = 3.0
	// The window opens this many standard uncertainties early, when the fluid may be
	// inside. For fluid that hardly warms any more, noise would cost minutes.
	earlyU = 2.0
	// A new state must have been due for this long, but the window ends at once.
	dwellNs = 3e9
	// Nobody may judge the level of fluid further outside the window than this. If the
	// probe's error and the hysteresis may add up to more, the window is narrowed by
	// the excess.
	toleranceC = 1.0
	// The state is blind once the standard uncertainty of the temperature exceeds
	// blindUC, until it is below clearUC.
	clearUC = 1.0
	blindUC = 2.0
	// A rate below this, or within its own noise, counts as zero.
	noRateCMin = 0.2
	// With the engine running, fluid below coldC warms by movesC in this time (common
	// practice, no source). A probe that does not show this is not in the fluid.
	coldC   = 50.0
	movesC  = 1.0
	movesNs = 300e9
)

// Window is the fold's memory of the check window.
type Window struct {
	State WindowState
	// Due is the state that the temperature calls for, since DueNs.
	Due   WindowState
	DueNs int64
	// The last temperature that was more than movesC away from the one before, and
	// when.
	MovedC  float64
	MovedNs int64
	// When the engine was last started or stopped, and whether it runs while the probe
	// stands still.
	EngineNs int64
	Still    bool
	WarmUp   WarmUp
}

// CheckWindow describes the check window, the range of temperatures in which the
// level may be judged. Figures that are not known are NaN.
//
// The temperature of the fluid is what the probe shows plus its lag times its rate,
// with level and rate from a parabola through the latest readings ([Trend]). If the
// probe's error may exceed 1 °C, the window is narrowed by the excess. The state is [Blind] while the probe cannot be in the fluid: if it
// moves faster than fluid can, or stands still although the engine must warm the
// fluid.
type CheckWindow struct {
	State    WindowState
	TempC    float64 // of the fluid, corrected for the probe's lag and calibration
	LowC     float64
	HighC    float64
	RateCMin float64
	Quality  Quality // why the state is blind, or what stands in for the fluid's temperature
	// LevelShiftML is how much higher the level reads now than it would in the middle
	// of the window, in millilitres; NaN if the capacity is not known. LevelShiftShare
	// is the same as a share of the distance between the marks; NaN if that is not
	// known.
	LevelShiftML, LevelShiftShare float64
	// OpensInS and ClosesInS are the seconds until the fluid enters and leaves the
	// window, OpensInUS and ClosesInUS their expanded uncertainties (k = 2). While the
	// window is open, OpensInS is 0.
	OpensInS, OpensInUS   float64
	ClosesInS, ClosesInUS float64
}

// margins returns the hysteresis, by how much the window is narrower at either end
// so that hysteresis and probe's error stay within the tolerance, and by how much it
// opens before the temperature reaches the limit. earlyC uses only what hysteresis
// and error leave of the tolerance.
func (f *fluidNow) margins() (hystC, narrowerC, earlyC float64) {
	hystC = max(hysteresisC, hysteresisU*f.uCelsius)
	over := f.maxErrorC + hystC - toleranceC
	return hystC, max(0, over), min(max(0, -over), earlyU*f.uCelsius)
}

// inside reports whether the level may be judged.
func inside(w WindowState) bool { return w == Open || w == Closing }

// due returns the state that the fluid's temperature calls for, with hysteresis
// about the state was. everyS is the interval of readings.
func due(was WindowState, f fluidNow, everyS, lowC, highC float64) WindowState {
	if f.uCelsius > blindUC || was == Blind && f.uCelsius > clearUC {
		return Blind
	}
	hystC, narrowerC, earlyC := f.margins()
	inC, outC := lowC+narrowerC-earlyC, highC-narrowerC
	// The dwell is anticipated: what counts is the temperature at its end.
	thenC := f.celsius + float64(f.rateCS*dwellNs/1e9)
	switch {
	case inside(was) && f.celsius < inC-hystC:
		return Nearing
	case inside(was) && max(f.celsius, f.celsius+float64(f.rateCS*(2*everyS))) > outC+hystC:
		// This state will stand until the next reading, or the one after if that is lost.
		return Above
	case inside(was):
	case was == Above && thenC > outC-hystC, f.celsius > outC && thenC > outC:
		return Above
	case was != Above && thenC < inC:
		edgeC := lowC - nearingC
		if was == Nearing {
			edgeC -= max(nearingHystC, hystC)
		}
		if f.celsius+microkelvinC >= edgeC { // probes show round figures
			return Nearing
		}
		return Below
	}
	return f.opened(was, highC, hystC)
}

// opened tells an open window from one that will soon close.
func (f *fluidNow) opened(was WindowState, highC, hystC float64) WindowState {
	edgeC := highC - closingC
	if was == Closing {
		edgeC -= hystC
	}
	// A rate that may be zero neither begins nor ends the state closing.
	noRateCS := max(noRateCMin/60, hysteresisU*f.uRateCS)
	if f.celsius >= edgeC && (f.rateCS > noRateCS || was == Closing && f.rateCS > -noRateCS) {
		return Closing
	}
	return Open
}

// updateWindow updates the window after a reading of the probe. The window ends at
// once; any other state must have been due for dwellNs.
func (s *State) updateWindow() {
	p, _ := s.fluidProbe()
	if !s.Job.Phase.Open() || p.LastNs == 0 {
		return
	}
	w, now := &s.Window, s.NowNs
	f := p.fluid(now)
	_, _, earlyC := f.margins()
	runs := s.Job.Phase == Running || s.Job.Phase == Checking
	if runs != w.WarmUp.Runs {
		w.WarmUp = WarmUp{Runs: runs}
		w.EngineNs, w.MovedNs = now, 0
	}
	w.seeStill(p, f.celsius, now)
	if p.SinceNs == now || p.WildNs == now || w.Still {
		// After a gap, or if the probe cannot be in the fluid, everything starts anew.
		w.State, w.Due, w.DueNs = Blind, Blind, now
		w.WarmUp = WarmUp{Runs: runs, Underway: true}
		return
	}
	spec := &s.Job.Spec
	if p.LastNs == now {
		w.WarmUp.add(now, p.LastC, p, spec)
	}
	to := due(w.Due, f, float64(p.EveryNs)/1e9, spec.LowC, spec.HighC)
	if to != w.Due {
		w.Due, w.DueNs = to, now
	}
	switch {
	case inside(w.State) && !inside(to):
		w.State = to
	case now-w.DueNs < dwellNs:
	case inside(to) && !inside(w.State) && (f.celsius < spec.LowC-earlyC-microkelvinC || f.celsius > spec.HighC+microkelvinC):
		// It is due only because of the hysteresis.
	default:
		w.State = to
	}
}

// seeStill notes whether the probe stands still although the engine must warm the fluid.
func (w *Window) seeStill(p *Probe, celsius float64, now int64) {
	if w.MovedNs == 0 || math.Abs(celsius-w.MovedC) > movesC {
		w.MovedC, w.MovedNs = celsius, now
	}
	w.Still = w.WarmUp.Runs && (p.stuck(w.EngineNs) || now-w.MovedNs > movesNs && celsius < coldC)
}

// fluidProbe returns the probe that the check window follows: the one in the
// transmission, or if there is none, the one in the engine's coolant.
func (s *State) fluidProbe() (p *Probe, standsIn bool) {
	if s.Probe.Sensor == "" && s.Coolant.Sensor != "" {
		return &s.Coolant, true
	}
	return &s.Probe, false
}

// CheckWindow returns the state of the check window at the state's time.
func (s *State) CheckWindow() CheckWindow {
	nan := math.NaN()
	w := CheckWindow{State: Blind, TempC: nan, LowC: nan, HighC: nan, RateCMin: nan, LevelShiftML: nan, LevelShiftShare: nan,
		OpensInS: nan, OpensInUS: nan, ClosesInS: nan, ClosesInUS: nan}
	spec := &s.Job.Spec
	if s.Job.Phase.Open() {
		w.LowC, w.HighC = spec.LowC, spec.HighC
	} else {
		w.State = NoWindow
	}
	p, standsIn := s.fluidProbe()
	if w.Quality = p.quality(s.NowNs); !w.Quality.Good() {
		return w
	}
	if s.Window.Still && s.Job.Phase.Open() {
		w.Quality = aboutProbe(QualityStandsStill, p.Sensor)
		return w
	}
	f := p.fluid(p.LastNs)
	w.TempC, w.RateCMin = f.celsius, 60*f.rateCS
	if standsIn {
		w.Quality = aboutProbe(QualityStandsIn, p.Sensor)
	}
	if !s.Job.Phase.Open() {
		w.Quality = Quality{Code: QualityNotOpen}
		return w
	}
	if w.State = s.Window.State; w.State == Blind {
		w.Quality = aboutProbe(QualityWatched, p.Sensor)
	}
	w.setForecast(&s.Window.WarmUp, s.NowNs)
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
