package fillcalc

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"
	"unsafe"

	"pgregory.net/rapid"

	"bayfill/sim"
)

// drainStartNs is when the drains of these tests begin.
const drainStartNs = int64(1_750_000_000e9)

// drainRun is a simulated drain at ten readings a second, from the opening of the
// pan on.
type drainRun struct {
	resolutionKg float64
	shownKg      []float64 // what the scale shows above its start
	trueKg       []float64 // what has left the pan
	dripsAt      int       // first reading at which less than 1.5 g/s flows
}

func runDrain(p sim.Params, sp sim.ScaleParams, seconds int) drainRun {
	cart, scale := sim.NewCart(p), sim.NewScale(sp, p.Seed)
	const between = 100 * time.Millisecond
	scale.Advance(cart, 0)
	zero := scale.Read().Kg
	cart.OpenDrain()
	run := drainRun{resolutionKg: sp.ResolutionKg}
	for i := range seconds * 10 {
		cart.Step(between)
		scale.Advance(cart, between)
		truth := cart.Truth()
		run.shownKg = append(run.shownKg, scale.Read().Kg-zero)
		run.trueKg = append(run.trueKg, truth.DrainedKg)
		if run.dripsAt == 0 && i > 50 && truth.DrainFlowKgS < 0.0015 {
			run.dripsAt = i
		}
	}
	return run
}

// someDrain draws a drain from the range of what a workshop may meet (common
// practice, no source).
func someDrain(seed uint64, seconds int) drainRun {
	rng := rand.New(rand.NewPCG(seed, 99))
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	p := sim.DefaultParams()
	p.Seed = seed
	v40 := between(22, 38)
	p.Used = sim.Fluid{Density15KgM3: between(835, 870), Viscosity40: v40, Viscosity100: v40 * between(0.19, 0.215)}
	p.FluidC, p.AmbientC, p.CoolTauS = between(20, 90), between(5, 30), between(2000, 8000)
	p.SumpKg, p.SumpAreaM2, p.HoleDiameterM = between(2, 7), between(0.05, 0.12), between(0.008, 0.025)
	p.FilmKg, p.FilmWidthM, p.FilmHeightM = between(0.1, 0.5), between(10, 30), between(0.08, 0.25)
	sp := sim.DefaultScaleParams()
	sp.ResolutionKg = []float64{0.001, 0.002, 0.005, 0.005, 0.005, 0.01}[rng.IntN(6)]
	sp.NoiseKg, sp.CreepShare = between(0.0003, 0.0025), between(0, 2e-4)
	return runDrain(p, sp, seconds)
}

// feed adds the readings from one index to another to a tail.
func (d *drainRun) feed(t *Tail, from, to int, change func(i int, kg float64) float64) {
	for i := from; i < to; i++ {
		kg := d.shownKg[i]
		if change != nil {
			kg = change(i, kg)
		}
		t.add(d.atNs(i), kg)
	}
}

func (d *drainRun) atNs(i int) int64 { return drainStartNs + int64(i+1)*100e6 }

// Forecasts of simulated drains, two, five and ten minutes after the first drips,
// compared with what then came.
func TestForecastsComeTrue(t *testing.T) {
	waitsS := [...]int{120, 300, 600}
	type score struct{ n, within, bias, square float64 }
	var in5, in30 [len(waitsS)]score
	rate := func(s *score, got, u, want float64) {
		s.n++
		if math.Abs(got-want) <= 2*u {
			s.within++
		}
		s.bias += got - want
		s.square += (got - want) * (got - want)
	}
	for seed := range uint64(24) {
		d := someDrain(seed, 2600)
		var tail Tail
		tail.reset(drainStartNs, d.resolutionKg)
		began := 0
		for began == 0 || tail.LastNs < d.atNs(began+6000) {
			i := int((tail.LastNs - drainStartNs) / 100e6)
			d.feed(&tail, i, i+1, nil)
			if began == 0 && tail.Drips {
				began = i
			}
			for k, s := range waitsS {
				if began == 0 || i != began+s*10 {
					continue
				}
				f := tail.Forecast(d.atNs(i))
				if !f.Known || !f.Drips {
					t.Fatalf("seed %d: %d s after the first drips: %+v", seed, s, f)
				}
				rate(&in5[k], f.In5MinKg, f.In5MinUKg, d.trueKg[i+3000]-d.trueKg[i])
				if i+18000 < len(d.trueKg) {
					rate(&in30[k], f.ToCome30MinKg, f.ToCome30MinUKg, d.trueKg[i+18000]-d.trueKg[i])
				}
			}
		}
		if late := float64(began-d.dripsAt) / 10; late < 0 || late > 20 {
			t.Errorf("seed %d: drips were noticed %.1f s after they began", seed, late)
		}
	}
	var n, within float64
	for k, s := range waitsS {
		for _, c := range []struct {
			what    string
			s       score
			maxRMSG float64
		}{
			{"5 min", in5[k], [...]float64{6, 2.5, 1.5}[k]},
			{"30 min", in30[k], [...]float64{20, 9, 5}[k]},
		} {
			rms := math.Sqrt(c.s.square/c.s.n) * 1000
			bias := c.s.bias / c.s.n * 1000
			t.Logf("%3d s after the first drips, %6s: %2.0f drains, bias %+5.2f g, rms %5.2f g, %3.0f %% within 2 u",
				s, c.what, c.s.n, bias, rms, 100*c.s.within/c.s.n)
			if rms > c.maxRMSG || math.Abs(bias) > c.maxRMSG/2 {
				t.Errorf("%d s after the first drips, %s: rms %.2f g, bias %+.2f g, want at most %.1f and half of that", s, c.what, rms, bias, c.maxRMSG)
			}
			n, within = n+c.s.n, within+c.s.within
		}
	}
	if within < 0.9*n {
		t.Errorf("%.0f of %.0f forecasts within 2 u", within, n)
	}
}

// A film on 20 m of wall 0.3 m high, 7.2 mm²/s, holds 12.11772, 5.419209 and
// 3.831959 mL per metre after 60, 300 and 600 s (computed independently from
// Jeffreys 1930; fluid of 850 kg/m³). So between 300 and 600 s it gives 27.0 g.
func TestForecastOfAFilm(t *testing.T) {
	const mL = 0.850e-3 * 20
	heldMl := func(s float64) float64 { return 12.11772 * math.Sqrt(60/s) }
	near(t, "film after 300 s, mL", heldMl(300), 5.419209, 1e-5)
	var tail Tail
	tail.reset(drainStartNs, 0.001)
	for i := 300; i <= 3000; i++ {
		shown := math.Round((2.5-heldMl(float64(i)/10)*mL)/0.001) * 0.001
		tail.add(drainStartNs+int64(i)*100e6, shown)
	}
	f := tail.Forecast(drainStartNs + 300e9)
	near(t, "five minutes' gain", f.In5MinKg, (5.419209-3.831959)*mL, 0.0015)
	near(t, "flow", f.FlowKgS, 5.419209/600*mL, 1e-5)
	near(t, "half an hour's gain", f.ToCome30MinKg, (5.419209-12.11772*math.Sqrt(60./2100))*mL, 0.005)
	if !f.Known || f.In5MinUKg > 0.005 || f.ToCome30MinUKg > 0.02 {
		t.Errorf("%+v", f)
	}
}

// Disturbances in the middle of a tail do not change the forecast.
func TestForecastSurvivesDisturbances(t *testing.T) {
	d := runDrain(sim.DefaultParams(), sim.DefaultScaleParams(), 750)
	mid, end := d.dripsAt+2203, d.dripsAt+4500
	after := func(kg float64) func(int, float64) float64 {
		return func(i int, shown float64) float64 {
			if i >= mid {
				shown += kg
			}
			return shown
		}
	}
	during := func(n int, kg float64) func(int, float64) float64 {
		return func(i int, shown float64) float64 {
			if i >= mid && i < mid+n {
				shown += kg
			}
			return shown
		}
	}
	var plain Tail
	plain.reset(drainStartNs, d.resolutionKg)
	d.feed(&plain, 0, end, nil)
	want := plain.Forecast(d.atNs(end - 1))
	for name, change := range map[string]func(int, float64) float64{
		"a bolt of 15 g":            after(0.015),
		"a rag of 25 g":             after(0.025),
		"a wrench":                  after(0.450),
		"a tool taken off":          after(-0.450),
		"a bump":                    during(5, 0.300),
		"somebody leans for 30 s":   during(300, 2),
		"a hand on it for 10 s":     during(100, -0.020),
		"a pan tipped in 5 s":       func(i int, kg float64) float64 { return kg + 0.4*min(1, max(0, float64(i-mid)/50)) },
		"a reading that jumps once": during(1, 1),
	} {
		var tail Tail
		tail.reset(drainStartNs, d.resolutionKg)
		d.feed(&tail, 0, end, change)
		f := tail.Forecast(d.atNs(end - 1))
		if !f.Known || !f.Drips {
			t.Errorf("%s: %+v", name, f)
		}
		near(t, name+": five minutes' gain", f.In5MinKg, want.In5MinKg, 0.003)
		near(t, name+": half an hour's gain", f.ToCome30MinKg, want.ToCome30MinKg, 0.012)
		if f.In5MinUKg > 2*want.In5MinUKg {
			t.Errorf("%s: u of five minutes' gain is %.4f kg, %.4f without", name, f.In5MinUKg, want.In5MinUKg)
		}
	}

	// A bolt thrown in every twenty seconds widens the uncertainty.
	var bolts Tail
	bolts.reset(drainStartNs, d.resolutionKg)
	d.feed(&bolts, 0, end+1600, func(i int, kg float64) float64 {
		return kg + 0.015*math.Floor(max(0, float64(i-mid+200)/200))
	})
	d.feed(&plain, end, end+1600, nil)
	f, late := bolts.Forecast(bolts.LastNs), plain.Forecast(plain.LastNs)
	near(t, "bolts: five minutes' gain", f.In5MinKg, late.In5MinKg, 0.0015)
	if !f.Known || f.In5MinUKg > 0.005 {
		t.Errorf("bolts: %+v, without %+v", f, late)
	}

	// With shift, what is booked at once is no jump.
	var tail Tail
	tail.reset(drainStartNs, d.resolutionKg)
	d.feed(&tail, 0, mid, nil)
	tail.shift(0.450)
	d.feed(&tail, mid, mid+30, after(0.450))
	if !tail.Drips || !tail.Forecast(tail.LastNs).Known {
		t.Error("a shift was taken for fluid that runs")
	}
	d.feed(&tail, mid+30, end, after(0.450))
	near(t, "shifted: five minutes' gain", tail.Forecast(tail.LastNs).In5MinKg, want.In5MinKg, 1e-5)

	// Gaps in the readings: one of a minute, after which some of the fluid is held as a
	// step, and one of more than eight minutes early on. After three seconds of
	// silence there is no forecast.
	for _, hole := range []struct {
		from, to int
		kg       float64
	}{{mid, mid + 600, -0.030}, {d.dripsAt + 305, d.dripsAt + 5305, 0}} {
		tail.reset(drainStartNs, d.resolutionKg)
		d.feed(&tail, 0, hole.from, nil)
		if f := tail.Forecast(d.atNs(hole.from) + 3e9); f != (Forecast{}) {
			t.Errorf("while the scale is silent: %+v", f)
		}
		d.feed(&tail, hole.to, end+1600, func(_ int, kg float64) float64 { return kg + hole.kg })
		f := tail.Forecast(tail.LastNs)
		near(t, "after a hole: five minutes' gain", f.In5MinKg, late.In5MinKg, 0.0015)
		if !f.Known || f.In5MinUKg > 0.005 {
			t.Errorf("after a hole: %+v, without %+v", f, late)
		}
	}
}

// First a sample that is alone in its part is dropped, then the two shortest
// neighbours of one part are merged.
func TestTailMergesSamples(t *testing.T) {
	var tail Tail
	for i := range tail.Samples {
		tail.Samples[i] = tailSample{FromS: float32(4 * i), ToS: float32(4*i + 4), Kg: float32(i), Part: uint32(i / 3)}
	}
	tail.N = len(tail.Samples)
	tail.Samples[4].FromS, tail.Samples[5].ToS = 17, 22 // the shortest neighbours
	tail.Samples[3].Part = 99                           // alone in its part
	before := tail
	tail.mergeSamples()
	if want := append(before.Samples[:3:3], before.Samples[4:]...); !reflect.DeepEqual(tail.Samples[:tail.N], want) {
		t.Errorf("a sample alone in its part:\n%+v, want\n%+v", tail.Samples[:tail.N], want)
	}
	tail.mergeSamples()
	merged := tailSample{FromS: 17, ToS: 22, Kg: (4*3 + 5*2) / 5., Part: 1}
	if want := append(append(before.Samples[:3:3], merged), before.Samples[6:]...); !reflect.DeepEqual(tail.Samples[:tail.N], want) {
		t.Errorf("neighbours:\n%+v, want\n%+v", tail.Samples[:tail.N], want)
	}
}

// There is no forecast before it drips, nor for the first minute of drips. A pan
// that seeps before it is opened is not a drain, and another drain starts anew.
func TestForecastNeedsAMinuteOfDrips(t *testing.T) {
	var tail Tail
	if f := tail.Forecast(0); f != (Forecast{}) {
		t.Errorf("of nothing: %+v", f)
	}
	atNs, kg := drainStartNs, 0.0
	tail.reset(atNs, 0.005)
	run := func(seconds, kgS float64) Forecast {
		for range int(seconds * 10) {
			atNs += 100e6
			kg += kgS / 10
			tail.add(atNs, math.Round(kg/0.005)*0.005)
		}
		return tail.Forecast(atNs)
	}
	for _, c := range []struct {
		what         string
		seconds, kgS float64
		known, drips bool
	}{
		{"seeping", 120, 0.0005, false, false},
		{"gushing", 40, 0.08, false, false},
		{"running", 20, 0.004, false, false},
		{"dripping for 30 s", 30, 0.0008, false, true},
		{"dripping for 100 s", 70, 0.0004, true, true},
		{"running again", 12, 0.02, false, false},
		{"dripping again", 14, 0.0004, true, true},
		{"another drain", 45, 0.02, false, false},
		{"its first drips", 40, 0.0008, false, true},
		{"its later drips", 60, 0.0004, true, true},
		{"no drips any more", 1800, 0, true, true},
	} {
		f := run(c.seconds, c.kgS)
		if f.Known != c.known || f.Drips != c.drips {
			t.Errorf("%s: %+v", c.what, f)
		}
	}
	if f := tail.Forecast(atNs); f.In5MinKg > 0.001 {
		t.Errorf("half an hour after the last drop it promises %+v", f)
	}
}

// Hysteresis between dripping and running: noise does not make Drips flicker.
func TestDripsDoNotFlicker(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	var tail Tail
	tail.reset(drainStartNs, 0.005)
	changes, was := 0, false
	for i := range 6000 { // ten minutes from 3 g/s down to nothing
		s := float64(i) / 10
		kg := 2 + 0.003*(s-s*s/1200)
		tail.add(drainStartNs+int64(i+1)*100e6, math.Round((kg+0.002*rng.NormFloat64())/0.005)*0.005)
		if tail.Drips != was {
			was = tail.Drips
			changes++
		}
	}
	if changes != 1 {
		t.Errorf("%d changes, want one", changes)
	}
}

// Forecasts do not depend on the rate of readings.
func TestForecastDoesNotDependOnTheRate(t *testing.T) {
	heard := func(hz int) (f Forecast, dripsS float64) {
		rng := rand.New(rand.NewPCG(9, uint64(hz)))
		var tail Tail
		tail.reset(drainStartNs, 0.005)
		for i := range 420 * hz {
			s := float64(i+1) / float64(hz)
			kg := 3*min(1, s/40) + 0.3 - 1.5/math.Sqrt(25+s)
			shown := math.Round((kg+0.0015*rng.NormFloat64())/0.005) * 0.005
			tail.add(drainStartNs+int64(s*1e9), shown)
			if tail.Drips && dripsS == 0 {
				dripsS = s
			}
		}
		return tail.Forecast(drainStartNs + 420e9), dripsS
	}
	slow, slowS := heard(1)
	usual, usualS := heard(10)
	quick, quickS := heard(80)
	near(t, "first drips at 80 against 10 a second", quickS, usualS, 4)
	near(t, "first drips at 1 against 10 a second", slowS, usualS, 6)
	if !usual.Known || !quick.Known || !slow.Known {
		t.Fatalf("%+v\n%+v\n%+v", slow, usual, quick)
	}
	near(t, "80 against 10 a second", quick.In5MinKg, usual.In5MinKg, usual.In5MinUKg/2)
	near(t, "80 against 10 a second, half an hour", quick.ToCome30MinKg, usual.ToCome30MinKg, usual.ToCome30MinUKg/2)
	near(t, "1 against 10 a second", slow.In5MinKg, usual.In5MinKg, usual.In5MinUKg)
}

// A tail survives JSON to the last bit. It is small, because it is copied with
// every event.
func TestTailIsExactAndSmall(t *testing.T) {
	if size := unsafe.Sizeof(Tail{}); size > 700 {
		t.Errorf("%d bytes", size)
	}
	d := runDrain(sim.DefaultParams(), sim.DefaultScaleParams(), 600)
	var tail, again Tail
	tail.reset(drainStartNs, d.resolutionKg)
	d.feed(&tail, 0, d.dripsAt+1507, nil) // in the middle of a block
	kept, err := json.Marshal(tail)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(kept, &again); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(again, tail) {
		t.Fatalf("%+v\n%+v", again, tail)
	}
	d.feed(&tail, d.dripsAt+1507, d.dripsAt+4000, nil)
	d.feed(&again, d.dripsAt+1507, d.dripsAt+4000, nil)
	if !reflect.DeepEqual(again, tail) || !tail.Fit.Known {
		t.Fatalf("went on differently:\n%+v\n%+v", again, tail)
	}
	if n := testing.AllocsPerRun(10, func() { tail.fit(tail.Pending.ToS) }); n != 0 {
		t.Errorf("a fit allocates %v times", n)
	}
}

// Whatever a scale sends, neither the forecast nor the state holds a NaN or an
// infinity.
func TestTailTakesAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var tail Tail
		atNs := drainStartNs
		tail.reset(atNs, rapid.SampledFrom([]float64{0, 0.001, 0.005, 0.05}).Draw(rt, "d"))
		kg := rapid.SampledFrom([]float64{0, 3, -3, 1e5}).Draw(rt, "kg")
		for range rapid.IntRange(1, 12).Draw(rt, "doings") {
			n := rapid.IntRange(1, 900).Draw(rt, "n")
			everyNs := rapid.SampledFrom([]int64{0, 1, 12_500_000, 100e6, 1e9, 4e9, 3600e9, -1e9}).Draw(rt, "every")
			change := rapid.SampledFrom([]float64{0, 1e-5, 1e-4, -1e-4, 0.001, 0.01, 1, -1, 1e4, math.Inf(1), math.NaN()}).Draw(rt, "change")
			zigzag := rapid.Bool().Draw(rt, "zigzag")
			if rapid.Bool().Draw(rt, "shift") {
				tail.shift(rapid.SampledFrom([]float64{-2, 0.4, 1e5}).Draw(rt, "by"))
			}
			for i := range n {
				atNs += everyNs
				sent := kg + change
				if !zigzag || i%2 == 1 {
					if !math.IsNaN(sent) && !math.IsInf(sent, 0) {
						kg = sent
					}
				}
				tail.add(atNs, sent)
				f := tail.Forecast(tail.LastNs)
				if !f.Known {
					continue
				}
				for _, v := range []float64{f.FlowKgS, f.In5MinKg, f.In5MinUKg, f.ToCome30MinKg, f.ToCome30MinUKg} {
					if !(v >= 0) || math.IsInf(v, 0) {
						rt.Fatalf("%+v", f)
					}
				}
			}
			if _, err := json.Marshal(tail); err != nil {
				rt.Fatalf("%v: %+v", err, tail)
			}
		}
	})
}

func BenchmarkTailAdd(b *testing.B) {
	d := runDrain(sim.DefaultParams(), sim.DefaultScaleParams(), 600)
	var tail Tail
	tail.reset(drainStartNs, d.resolutionKg)
	d.feed(&tail, 0, len(d.shownKg), nil)
	atNs := tail.LastNs
	b.ReportAllocs()
	for b.Loop() {
		atNs += 100e6
		tail.add(atNs, 3)
	}
}

func BenchmarkTailFit(b *testing.B) {
	d := runDrain(sim.DefaultParams(), sim.DefaultScaleParams(), 600)
	var tail Tail
	tail.reset(drainStartNs, d.resolutionKg)
	d.feed(&tail, 0, len(d.shownKg), nil)
	b.ReportAllocs()
	for b.Loop() {
		tail.fit(tail.Pending.ToS)
	}
}
