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
	// A state is left only when the temperature is past its limit by this much, or
	// by so many standard uncertainties, so that noise at a limit does not make it
	// flicker.
	hysteresisC  = 0.3
	nearingHystC = 1.0
	hysteresisU  = 3.0
	// The window opens when the fluid may be inside, by so many standard
	// uncertainties: where it hardly warms any more, noise would cost minutes.
	earlyU = 2.0
	// ... and a friendlier state is entered only when it has been due for this long.
	// Open ends at once.
	dwellNs = 3e9
	// Of fluid further outside of the window than this nobody judges the level. What
	// the probe may be further off narrows the window.
	toleranceC = 1.0
	// A probe that is vaguer than this leaves the state blind until it is clear again
	// (standard uncertainties).
	clearUC = 1.0
	blindUC = 2.0
	// A rate within this, or within its own noise, is none.
	noRateCMin = 0.2
	// With the engine running, cold fluid warms by this much in this time (common
	// practice, no source). A probe that sees nothing of it stands somewhere else.
	coldC   = 50.0
	movesC  = 1.0
	movesNs = 300e9
)

// Window is the fold's memory of the check window.
type Window struct {
	State WindowState
	// Due is the state that the temperature asks for, since DueNs.
	Due   WindowState
	DueNs int64
	// The last temperature that was movesC away from the one before, and when.
	MovedC  float64
	MovedNs int64
	// When the engine was last started or stopped, and whether it runs and the probe
	// sees nothing of it.
	EngineNs int64
	Still    bool
	WarmUp   WarmUp
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
	// OpensInS and ClosesInS are the seconds until the fluid enters and leaves the
	// window, 0 for what has come; OpensInUS and ClosesInUS their expanded
	// uncertainty (k = 2).
	OpensInS, OpensInUS   float64
	ClosesInS, ClosesInUS float64
}

// margins are the hysteresis, and what the window is narrower by at either end so
// that all of it, and the probe's error, stay within the tolerance. Where they
// leave room below it, the window opens as soon as the fluid may be inside: earlyC
// before it seems to be.
func (f *fluidNow) margins() (hystC, narrowerC, earlyC float64) {
	hystC = max(hysteresisC, hysteresisU*f.uCelsius)
	over := f.maxErrorC + hystC - toleranceC
	return hystC, max(0, over), min(max(0, -over), earlyU*f.uCelsius)
}

func inside(w WindowState) bool { return w == Open || w == Closing }

// due is the state that the fluid asks for, with hysteresis about the one that
// holds. Readings come every everyS.
func due(was WindowState, f fluidNow, everyS, lowC, highC float64) WindowState {
	if f.uCelsius > blindUC || was == Blind && f.uCelsius > clearUC {
		return Blind
	}
	hystC, narrowerC, earlyC := f.margins()
	inC, outC := lowC+narrowerC-earlyC, highC-narrowerC
	// What is due when the dwell is over need not wait for it.
	thenC := f.celsius + float64(f.rateCS*dwellNs/1e9)
	switch {
	case inside(was) && f.celsius < inC-hystC:
		return Nearing
	case inside(was) && max(f.celsius, f.celsius+float64(f.rateCS*(2*everyS))) > outC+hystC:
		// What is said now stands until the next reading, or the one after it.
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
	edgeC := highC - closingC
	if was == Closing {
		edgeC -= hystC
	}
	// A rate within noise of none neither begins nor ends the closing.
	noRateCS := max(noRateCMin/60, hysteresisU*f.uRateCS)
	if f.celsius >= edgeC && (f.rateCS > noRateCS || was == Closing && f.rateCS > -noRateCS) {
		return Closing
	}
	return Open
}

// updateWindow follows the probe. Leaving the window is said at once; everything
// else must have been due for a while.
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
	if w.MovedNs == 0 || math.Abs(f.celsius-w.MovedC) > movesC {
		w.MovedC, w.MovedNs = f.celsius, now
	}
	w.Still = runs && (p.stuck(w.EngineNs) || now-w.MovedNs > movesNs && f.celsius < coldC)
	if p.SinceNs == now || p.WildNs == now || w.Still {
		// After a hole, or where no fluid can be, it begins again.
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
		// Due within the hysteresis only.
	default:
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
	w := CheckWindow{State: Blind, TempC: nan, LowC: nan, HighC: nan, RateCMin: nan, LevelShiftML: nan, LevelShiftShare: nan,
		OpensInS: nan, OpensInUS: nan, ClosesInS: nan, ClosesInUS: nan}
	spec := &s.Job.Spec
	if s.Job.Phase.Open() {
		w.LowC, w.HighC = spec.LowC, spec.HighC
	}
	p, standsIn := s.fluidProbe()
	if w.Quality = p.fault(s.NowNs); w.Quality != "" {
		return w
	}
	if s.Window.Still && s.Job.Phase.Open() {
		w.Quality = "probe " + p.Sensor + " stands still while the engine runs: is it in the fluid?"
		return w
	}
	f := p.fluid(p.LastNs)
	w.TempC, w.RateCMin = f.celsius, 60*f.rateCS
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
