package fillcalc

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

// warming is a cart whose engine runs, with a probe that sends twice a second.
type warming struct {
	*bench
	shownC float64 // the probe's temperature
	lagS   float64 // the probe's true lag
	noiseC float64
	rng    *rand.Rand
}

func newWarming(t testing.TB, setLagS, lagS, startC float64) *warming {
	setup := twoScales()
	setup.Probe.LagS = setLagS
	setup.Probe.Calibration = &ProbeCalibration{Gain: 1, U: 0.1, BestC: 40, Passed: true}
	w := &warming{bench: newBench(t, setup), shownC: startC, lagS: lagS, noiseC: 0.03, rng: rand.New(rand.NewPCG(5, 5))}
	w.celsius = startC
	w.bench.run(3, 0, 0)
	w.do(Input{Do: DoOpen, Job: aJob()}) // 35 to 45 °C
	w.bench.run(3, 0, 0)
	w.do(Input{Do: DoPhase, Phase: Running, Why: "a test"})
	return w
}

// pass lets time pass with the probe in a bath and calls see after each reading.
func (w *warming) pass(seconds float64, bathC func(s float64) float64, see func(s float64, c CheckWindow)) {
	const everyS = 0.5
	for s := everyS; s <= seconds; s += everyS {
		w.atNs += everyS * 1e9
		const steps = 10
		for i := range steps {
			bath := bathC(s - everyS + everyS*float64(i+1)/steps)
			if w.lagS == 0 {
				w.shownC = bath
			} else {
				w.shownC += (bath - w.shownC) * (1 - math.Exp(-everyS/steps/w.lagS))
			}
		}
		w.read(math.Round((w.shownC+w.noiseC*w.rng.NormFloat64())/0.1) * 0.1)
		if see != nil {
			see(s, w.s.CheckWindow())
		}
	}
}

func (w *warming) read(celsius float64) {
	w.apply(Event{Kind: KindTemperature, Sensor: "probe", Value: celsius})
}

// toward is Newton's law of cooling.
func toward(fromC, endC, tauS float64) func(s float64) float64 {
	return func(s float64) float64 { return endC + (fromC-endC)*math.Exp(-s/tauS) }
}

// A probe that is not in the fluid never opens the window.
func TestWindowStaysShut(t *testing.T) {
	shut := func(t *testing.T) func(float64, CheckWindow) {
		return func(s float64, c CheckWindow) {
			if inside(c.State) {
				t.Fatalf("%s at %.2f °C after %.1f s", c.State, c.TempC, s)
			}
		}
	}
	for name, lagS := range map[string]float64{"quick": 2, "slow": 20, "slower than set": 25} {
		t.Run("put into hotter fluid, "+name, func(t *testing.T) {
			w := newWarming(t, min(lagS, 20), lagS, 22)
			w.pass(30, steady(22), shut(t))
			w.pass(120, steady(47), shut(t)) // through the whole window
		})
		t.Run("taken out of hot fluid, "+name, func(t *testing.T) {
			w := newWarming(t, min(lagS, 20), lagS, 70)
			w.pass(60, toward(70, 90, 900), shut(t))
			w.pass(120, steady(30), shut(t))
		})
	}
	t.Run("a jump", func(t *testing.T) {
		w := newWarming(t, 5, 5, 22)
		w.pass(60, toward(22, 90, 900), nil)
		w.lagS = 0
		w.pass(9.5, steady(40), shut(t)) // moved to something warm
		if q := w.s.CheckWindow().Quality.String(); !strings.Contains(q, "faster than fluid") {
			t.Errorf("quality %q", q)
		}
		if warmUp := &w.s.Window.WarmUp; !warmUp.Underway || warmUp.N > 2 {
			t.Errorf("the warm-up goes on from before: %d points", warmUp.N)
		}
	})
	for name, shownC := range map[string]float64{"air in the window": 38, "a rag below it": 31} {
		t.Run(name, func(t *testing.T) {
			w := newWarming(t, 5, 5, shownC)
			w.pass(301, steady(shownC), nil)
			w.pass(60, steady(shownC), shut(t))
			if c := w.s.CheckWindow(); c.State != Blind || !math.IsNaN(c.TempC) || !strings.Contains(c.Quality.String(), "stands still") {
				t.Errorf("%s, %.1f °C, quality %q", c.State, c.TempC, c.Quality)
			}
		})
	}
	t.Run("frozen", func(t *testing.T) {
		w := newWarming(t, 5, 5, 22)
		w.pass(260, toward(22, 90, 900), nil)
		if !inside(w.s.Window.State) {
			t.Fatalf("before: %+v", w.s.CheckWindow())
		}
		frozen := w.s.CheckWindow()
		for range 120 {
			w.atNs += 500e6
			w.read(w.s.Probe.LastC)
		}
		// By then the fluid must have moved by 3 °C.
		if c := w.s.CheckWindow(); c.State != Blind || !strings.Contains(c.Quality.String(), "stands still") {
			t.Errorf("frozen at %.2f °C and %.2f °C/min for a minute: %s, %q", frozen.TempC, frozen.RateCMin, c.State, c.Quality)
		}
	})
	t.Run("back after a hole", func(t *testing.T) {
		w := newWarming(t, 20, 20, 22)
		fluid := toward(22, 90, 300) // some 11 °C/min
		w.pass(60, fluid, nil)
		w.atNs += 60e9
		w.shownC = fluid(120) - 20*(90-22)/300*math.Exp(-120.0/300) // 44.4, in fluid of 45.6 °C and more
		w.pass(40, func(s float64) float64 { return fluid(120 + s) }, shut(t))
	})
	t.Run("back after a fault", func(t *testing.T) {
		w := newWarming(t, 5, 5, 22)
		w.pass(260, toward(22, 90, 900), nil)
		w.atNs += 500e6
		w.apply(Event{Kind: KindTemperature, Sensor: "probe", Faults: FaultSensor})
		for range 6 {
			if c := w.s.CheckWindow(); c.State != Blind {
				t.Errorf("%s in spite of a fault", c.State)
			}
			w.atNs += 500e6
			w.read(40)
		}
	})
}

// A damaged frame or two change nothing; more than three seconds of them do.
func TestWindowAndDamagedFrames(t *testing.T) {
	w := newWarming(t, 5, 5, 22)
	w.pass(260, toward(22, 90, 900), nil)
	for n := 1; n <= 30; n++ {
		w.atNs += 500e6
		w.apply(Event{Kind: KindTemperature, Sensor: "probe", Faults: FaultChecksum})
		if got, want := w.s.CheckWindow().State == Blind, n > 6; got != want {
			t.Fatalf("after %d damaged frames in %.1f s: blind %v", n, float64(n)/2, got)
		}
	}
	w.atNs += 500e6
	w.read(1e300) // impossible for a probe
	if _, err := json.Marshal(w.s); err != nil {
		t.Error(err)
	}
	// A probe that sends every five seconds may lose one frame.
	w = newWarming(t, 5, 5, 38)
	for i := range 40 {
		w.atNs += 5e9
		if i%4 == 3 {
			w.apply(Event{Kind: KindTemperature, Sensor: "probe", Faults: FaultChecksum})
		} else {
			w.read(38 + 0.1*float64(i))
		}
		if c := w.s.CheckWindow(); i > 12 && !inside(c.State) {
			t.Fatalf("reading %d: %s, %q", i, c.State, c.Quality)
		}
	}
}

// With a lag that is off by 30 % the window is still never open more than 1 °C
// outside.
func TestWindowAndWrongLag(t *testing.T) {
	for _, off := range []float64{0.7, 1.3} {
		w, fluid, opened := newWarming(t, 20, 20*off, 0), toward(0, 120, 300), false
		w.pass(250, steady(0), nil) // until the probe's scatter is known
		w.pass(220, fluid, func(s float64, c CheckWindow) {
			opened = opened || inside(c.State)
			if inside(c.State) && (fluid(s) < 34 || fluid(s) > 46) {
				t.Fatalf("lag %g times the configured one: %s at %.2f °C", off, c.State, fluid(s))
			}
		})
		if !opened {
			t.Errorf("lag %g times the configured one: never open", off)
		}
	}
}

// A state stands until the next frame, and that one may be lost. So with a probe
// that sends every five seconds the window ends earlier.
func TestWindowBetweenSlowReadings(t *testing.T) {
	for lost := range 10 { // one of the frames about the end
		w := newWarming(t, 0, 0, 22)
		begin := w.atNs
		for s := 0.0; s < 150; s += 0.5 {
			w.atNs = begin + 1 + int64(s*1e9)
			fluidC := 21.9 + 0.2*s
			if int(s*2)%10 == 0 && int(s/5) != 18+lost {
				w.read(fluidC)
			} else {
				w.do(Input{Do: DoTick})
			}
			if c := w.s.CheckWindow(); inside(c.State) && fluidC > 46 {
				t.Fatalf("%s at %.2f °C", c.State, fluidC)
			}
		}
	}
}

// On a ramp a probe lags by rate times time constant (textbook; 2 °C/min and
// 10 s: 0.333333333 °C), and on a warm-up the rate itself falls.
func TestFluidBehindTheProbe(t *testing.T) {
	w := newWarming(t, 10, 10, 20)
	w.noiseC = 0.05
	w.pass(180, func(s float64) float64 { return 20 + s*2/60 }, func(s float64, c CheckWindow) {
		if s > 90 { // the start of the ramp is over
			near(t, "ramp, what the probe shows", w.shownC, 20+s*2/60-0.333333333, 0.002)
			near(t, "ramp, the fluid", c.TempC, 20+s*2/60, 0.12)
			near(t, "ramp, rate", c.RateCMin, 2, 0.25)
		}
	})
	for _, tauS := range []float64{300, 900, 1500} {
		w, fluid, sum := newWarming(t, 20, 20, 10), toward(10, 100, tauS), 0.0
		w.pass(400, fluid, func(s float64, c CheckWindow) {
			if s > 150 {
				near(t, "warm-up", c.TempC, fluid(s), 0.3)
				sum += (c.TempC - fluid(s)) / 500
			}
		})
		near(t, "warm-up, bias", sum, 0, 0.06) // what the probe shows is 3 to 0.9 °C behind
	}
}

// After a change the trend soon settles, although the readings in between look like
// scatter.
func TestTrendSettles(t *testing.T) {
	var now, before Trend
	for s := 0.0; s < 300; s += 0.5 {
		before.add(0.5, 20+0.01*s+0.00002*s*s)
	}
	near(t, "parabola", before.now().celsius, 20+0.01*299.5+0.00002*299.5*299.5, 0.002)
	near(t, "its slope", before.now().rateCS, 0.01+0.00004*299.5, 0.0003)
	now = before
	for s := 0.0; s < 90; s += 0.5 {
		now.add(0.5, 26.5)
	}
	near(t, "at rest", now.now().celsius, 26.5, 0.1)
	rng := rand.New(rand.NewPCG(8, 8))
	var hasty Trend // as fast as fluid can be, then at rest, with a reading every five seconds
	for s := -100.0; s < 180; s += 5 {
		hasty.add(5, 20+0.3*min(max(s, 0), 60)+0.05*rng.NormFloat64())
	}
	near(t, "at rest after haste", hasty.now().celsius, 38, 0.65)
	for range 2000 {
		now.add(0.5, 26.5+0.2*rng.NormFloat64())
	}
	near(t, "scatter", math.Sqrt(now.Variance), 0.2, 0.04)
}

// The state of the window survives JSON to the last bit.
func TestWindowSnapshotIsExact(t *testing.T) {
	w := newWarming(t, 8, 8, 20)
	for range 7 {
		w.pass(41, toward(w.shownC, 90, 900), nil)
		kept, err := json.Marshal(w.s)
		if err != nil {
			t.Fatal(err)
		}
		var again State
		if err := json.Unmarshal(kept, &again); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(again, w.s) {
			t.Fatalf("the snapshot differs:\n%+v\n%+v", again, w.s)
		}
	}
	i := w.seq
	if n := testing.AllocsPerRun(20, func() {
		for range 100 { // a fit or two among them
			i++
			w.atNs += 500e6
			w.s = Apply(w.s, Event{Seq: i, AtNs: w.atNs, Kind: KindTemperature, Sensor: "probe", Value: 40 + float64(i%3)/10})
		}
	}); n != 0 {
		t.Errorf("a hundred temperatures allocate %v times", n)
	}
}
