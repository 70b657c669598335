package fillcalc

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"unsafe"
)

// Newton's law of cooling (textbook): from 20 °C toward 90 °C with a time constant
// of 900 s, computed from the published formula.
func TestStages(t *testing.T) {
	one := warmUpCurve{toC: 90, fromC: 20, lnSlow: 6.802394763324311, lnQuick: -15} // ln 900, and practically 0 s
	r := one.response(0)
	at := func(r *response, x float64) float64 {
		left, _ := r.left(x)
		return r.endC + (r.startC-r.endC)*left
	}
	for _, c := range []struct{ s, celsius float64 }{
		{60, 24.5145110}, {300, 39.8428083}, {600, 54.0608017}, {900, 64.2484391}, {1200, 71.5482003}, {1800, 80.5265302},
	} {
		near(t, "°C", at(&r, c.s), c.celsius, 1e-6)
	}
	for _, c := range []struct{ celsius, s float64 }{
		{35, 217.045851}, {40, 302.825013}, {45, 397.649477}, {50, 503.654209}, {55, 623.832463},
	} {
		s, ok := r.reaches(c.celsius, 0)
		near(t, "s", s, c.s, 0.01)
		if !ok {
			t.Errorf("%g °C is never reached", c.celsius)
		}
	}
	if s, ok := r.reaches(91, 0); ok {
		t.Errorf("reaches 91 °C after %g s", s)
	}
	if s, ok := r.reaches(30, 500); !ok || s != 500 {
		t.Errorf("30 °C, long past after 500 s, comes after %g s (%v)", s, ok)
	}

	// Fluid and probe: 1 − (tau1·exp(−t/tau1) − tau2·exp(−t/tau2))/(tau1 − tau2).
	probe := one.response(10)
	for _, s := range []float64{5, 20, 100, 1000} {
		want := (900*math.Exp(-s/900) - 10*math.Exp(-s/10)) / 890
		left, rate := probe.left(s)
		near(t, "left", left, want, 1e-9)
		near(t, "rate", rate, -(math.Exp(-s/900)-math.Exp(-s/10))/890, 1e-9)
	}
	// Three stages: the last follows the one before as a probe follows a bath.
	three := warmUpCurve{toC: 90, fromC: 20, lnSlow: 6, lnQuick: 4, delayS: 7}
	bath, shows := three.response(0), three.response(15)
	for _, s := range []float64{3, 8, 40, 300, 2000} {
		_, rate := shows.left(s)
		near(t, "bath less probe", at(&bath, s)-at(&shows, s), 15*rate*(20-90), 1e-9)
	}
	// Stages that are nearly equal, and a lag above the slow stage.
	for _, lagS := range []float64{Exp(4), 2000} {
		r := three.response(lagS)
		if left, _ := r.left(60); !(left > 0 && left < 1) {
			t.Errorf("lag %g: %g is left", lagS, left)
		}
	}
}

// The derivatives of the fit against difference quotients.
func TestStagesSlopes(t *testing.T) {
	c := warmUpCurve{toC: 85, fromC: 12, lnSlow: 6.5, lnQuick: 3.5, delayS: 4}
	nudged := c.nudged(12)
	for _, x := range []float64{10, 100, 900} {
		celsius, rate, d := nudged.slopes(x)
		after, _, _ := nudged.slopes(x + 1e-3)
		near(t, "rate", rate, (after-celsius)/1e-3, 1e-5)
		for i := range c {
			moved := c
			moved[i] += 1e-4
			other := moved.nudged(12)
			to, _, _ := other.slopes(x)
			near(t, fmt.Sprintf("slope %d at %g s", i, x), d[i], (to-celsius)/1e-4, 1e-3*math.Abs(d[i])+1e-4)
		}
	}
}

// The reference warm-up, with a probe that lags by 8 s: the window from 35 to
// 45 °C opens after 217.0 s and closes after 397.6 s.
func TestWarmUpForecast(t *testing.T) {
	w := newWarming(t, 8, 8, 20)
	forecasts, last := 0, math.NaN()
	w.pass(430, toward(20, 90, 900), func(s float64, c CheckWindow) {
		switch {
		case c.State == Nearing || c.State == Below:
			last = c.OpensInS
			if math.IsNaN(last) {
				break
			}
			forecasts++
			near(t, fmt.Sprintf("opens, forecast after %g s", s), s+c.OpensInS, 217.045851, max(c.OpensInUS, 2))
			if s > 217/2 {
				near(t, fmt.Sprintf("opens, forecast after %g s", s), c.OpensInS, 217.045851-s, max(0.15*(217-s), 3))
			}
		case inside(c.State):
			if s < 215 || c.OpensInS != 0 || c.OpensInUS != 0 {
				t.Errorf("after %g s: %s, opens in %g ± %g s", s, c.State, c.OpensInS, c.OpensInUS)
			}
			if s > 260 && s < 397 {
				near(t, fmt.Sprintf("closes, forecast after %g s", s), c.ClosesInS, 397.649477-s, max(0.15*(397-s), 4))
			}
		case c.State == Above:
			if s < 395 || !math.IsNaN(c.OpensInS+c.OpensInUS) || !math.IsNaN(c.ClosesInS+c.ClosesInUS) {
				t.Errorf("after %g s: above, opens in %g s, closes in %g s", s, c.OpensInS, c.ClosesInS)
			}
		}
	})
	if forecasts < 200 || last > 2 {
		t.Errorf("forecast %d times, last %g s before", forecasts, last)
	}
	if size := unsafe.Sizeof(WarmUp{}); size > 500 {
		t.Errorf("%d bytes", size)
	}
}

// Fluid that is too hot opens the window when it has cooled, with the engine
// running or not.
func TestCoolingForecast(t *testing.T) {
	for name, begin := range map[string]func(w *warming){
		"engine runs": func(w *warming) {},
		"engine off":  func(w *warming) { w.do(Input{Do: DoPhase, Phase: Filling, Why: "a test"}) },
	} {
		w, fluid := newWarming(t, 8, 8, 60), toward(60, 20, 1500)
		begin(w)
		opens, closes := 1500*math.Log(40.0/25), 1500*math.Log(40.0/15)
		forecasts := 0
		w.pass(closes+60, fluid, func(s float64, c CheckWindow) {
			switch {
			case c.State == Above && s > opens/2 && s < opens-10:
				forecasts++
				near(t, name+": opens in", c.OpensInS, opens-s, max(0.15*(opens-s), 5))
			case c.State == Open && s > (opens+closes)/2 && s < closes-10:
				forecasts++
				near(t, name+": closes in", c.ClosesInS, closes-s, max(0.15*(closes-s), 6))
			case c.State == Nearing && s > closes && !math.IsNaN(c.OpensInS):
				t.Fatalf("%s: cooling below the window opens in %g s", name, c.OpensInS)
			}
		})
		if forecasts < 1000 {
			t.Errorf("%s: forecast only %d times", name, forecasts)
		}
	}
}

// There is no forecast of what will not come, or while nothing is known.
func TestNoForecast(t *testing.T) {
	never := func(what string) func(float64, CheckWindow) {
		return func(s float64, c CheckWindow) {
			if !math.IsNaN(c.OpensInS) || !math.IsNaN(c.OpensInUS) || !math.IsNaN(c.ClosesInS) || !math.IsNaN(c.ClosesInUS) {
				t.Fatalf("%s: after %g s opens in %g ± %g, closes in %g ± %g s", what, s, c.OpensInS, c.OpensInUS, c.ClosesInS, c.ClosesInUS)
			}
		}
	}
	w := newWarming(t, 8, 8, 22)
	w.pass(200, steady(22), never("at rest"))
	w = newWarming(t, 8, 8, 33)
	w.pass(600, toward(33, 10, 900), never("cools from below"))
	w = newWarming(t, 8, 8, 20)
	w.pass(600, toward(20, 33, 400), func(s float64, c CheckWindow) {
		if s > 300 { // before that the end is not known
			never("ends below")(s, c)
		}
	})
	w = newWarming(t, 8, 8, 20)
	w.do(Input{Do: DoPhase, Phase: Filling, Why: "a test"})
	w.pass(150, toward(20, 90, 900), never("engine off"))
	w.pass(150, toward(33, 90, 900), func(s float64, c CheckWindow) {
		if inside(c.State) && !math.IsNaN(c.ClosesInS) {
			t.Fatalf("engine off, fluid rises: closes in %g s", c.ClosesInS)
		}
	})

	// The forecast ends with the probe's readings and returns after a gap.
	w, fluid := newWarming(t, 8, 8, 20), toward(20, 90, 900)
	w.pass(100, fluid, nil)
	if c := w.s.CheckWindow(); math.IsNaN(c.OpensInS) {
		t.Fatalf("no forecast: %+v", c)
	}
	w.atNs += 20e9
	w.shownC += fluid(120) - fluid(100)
	w.do(Input{Do: DoTick})
	never("silent")(120, w.s.CheckWindow())
	forecasts := 0
	w.pass(80, func(s float64) float64 { return fluid(120 + s) }, func(s float64, c CheckWindow) {
		if !math.IsNaN(c.OpensInS) {
			forecasts++
			near(t, "after the gap, opens in", c.OpensInS, 217-120-s, max(0.15*(217-120-s), 6))
		}
	})
	if forecasts < 60 {
		t.Errorf("forecast %d times after the gap", forecasts)
	}
}

// When the engine's load changes, the old curve is dropped.
func TestWarmUpTurns(t *testing.T) {
	w := newWarming(t, 8, 8, 10)
	idle, load := toward(10, 60, 1500), toward(10+50*(1-math.Exp(-300.0/1500)), 100, 900)
	w.pass(300, idle, nil)
	if w.s.Window.WarmUp.Underway {
		t.Error("the curve was dropped although the load did not change")
	}
	forecasts, opens := 0, 300+900*math.Log((100-load(0))/(100-35))
	w.pass(opens-300, load, func(s float64, c CheckWindow) {
		if !math.IsNaN(c.OpensInS) && s > 60 {
			forecasts++
			near(t, "opens in", c.OpensInS, opens-300-s, max(0.15*(opens-300-s), 6))
		}
	})
	if forecasts < 100 {
		t.Errorf("forecast %d times", forecasts)
	}
	if !w.s.Window.WarmUp.Underway {
		t.Error("the old curve was not dropped")
	}
}

// A state stored in the middle of a warm-up gives the same forecasts afterwards.
func TestForecastAfterASnapshot(t *testing.T) {
	w := newWarming(t, 8, 8, 20)
	w.pass(120, toward(20, 90, 900), nil)
	kept, err := json.Marshal(w.s)
	if err != nil {
		t.Fatal(err)
	}
	var again State
	if err := json.Unmarshal(kept, &again); err != nil {
		t.Fatal(err)
	}
	for range 100 {
		w.atNs += 500e6
		e := Event{AtNs: w.atNs, Kind: KindTemperature, Sensor: "probe", Value: 28 + w.rng.Float64()}
		w.s, again = Apply(w.s, e), Apply(again, e)
	}
	a, b := w.s.CheckWindow(), again.CheckWindow()
	if math.Float64bits(a.OpensInS) != math.Float64bits(b.OpensInS) || w.s.Window != again.Window {
		t.Errorf("opens in %v s, after a snapshot %v s", a.OpensInS, b.OpensInS)
	}
}
