package sim

import (
	"math"
	"testing"
	"time"
)

// ideal is a scale without errors or dynamics.
func ideal() ScaleParams {
	return ScaleParams{What: OnCaddy, ResolutionKg: 0.005, CapacityKg: 30, ReadsPerS: 10}
}

// stand is a cart with kg of fluid of 850 kg/m³ in a caddy without mass.
func stand(kg float64) *Cart {
	p := plain(15)
	p.Used.Density15KgM3 = 850
	p.CaddyTareKg, p.CaddyHeelKg = 0, kg
	return NewCart(p)
}

// run takes n readings of a scale at its rate.
func run(s *Scale, c *Cart, n int) []Sample {
	dt := time.Duration(float64(time.Second) / s.p.ReadsPerS)
	var got []Sample
	for range n {
		c.Step(dt)
		s.Advance(c, dt)
		got = append(got, s.Read())
	}
	return got
}

// Buoyancy by the conventions of OIML D 28:2004 (value computed independently): a reading of 5 kg of oil of 850 kg/m³ is a
// mass of 5.006317743 kg.
func TestScaleShowsWeightInAir(t *testing.T) {
	s := NewScale(ideal(), 1)
	got := run(s, stand(5.006317743), 1)[0]
	near(t, "shown kg", got.FineKg, 5, 5e-10)
	if got.Kg != 5 {
		t.Errorf("rounded to %v", got.Kg)
	}
	near(t, "factor for 850", 1/stand(0).inAirKg(1, 850), 1.00126354854, 5e-12)
	near(t, "factor for 820", 1/stand(0).inAirKg(1, 820), 1.00131533952, 5e-12)

	// Thinner air has less buoyancy: (1 − 1.0/850)/(1 − 1.2/8000).
	c := stand(5)
	c.p.AirKgM3 = 1
	near(t, "in air of 1 kg/m³, kg", c.LoadKg(OnCaddy), 5*0.99897337542, 1e-9)
}

func TestScaleKnowsWhatStandsOnIt(t *testing.T) {
	p := plain(15)
	p.Used.Density15KgM3, p.Fresh.Density15KgM3 = 850, 850
	p.CaddyTareKg, p.CaddyHeelKg, p.SupplyTareKg, p.SupplyKg = 2, 1.00126354854, 1, 4*1.00126354854
	for what, want := range map[ScaleLoad]float64{OnCaddy: 3, OnSupply: 5, OnBoth: 8} {
		sp := ideal()
		sp.What = what
		near(t, "kg", run(NewScale(sp, 1), NewCart(p), 1)[0].FineKg, want, 1e-9)
	}
}

// A second-order system overshoots a sudden load by the given share half a damped period later, and settles (textbook).
func TestScaleOvershoots(t *testing.T) {
	p := ideal()
	p.NaturalHz, p.OvershootShare, p.ReadsPerS = 4, 0.2, 1000
	s, c := NewScale(p, 1), stand(0)
	s.Advance(c, 0)
	c.caddyKg = 10
	load := c.LoadKg(OnCaddy)
	peak, at := 0.0, 0
	for i, got := range run(s, c, 2000) {
		if got.FineKg > peak {
			peak, at = got.FineKg, i+1
		}
	}
	near(t, "peak over load", peak/load, 1.2, 1e-4)
	damping := 0.4559498 // −ln 0.2/√(π² + ln² 0.2)
	near(t, "peak at ms", float64(at), 500/(4*math.Sqrt(1-damping*damping)), 1.5)
	near(t, "settled kg", s.shownKg, load, 1e-3)
}

func TestScaleErrors(t *testing.T) {
	p := ideal()
	p.GainError, p.ZeroOffsetKg = 0.001, 0.02
	near(t, "gain and zero kg", run(NewScale(p, 1), stand(5.006317743), 1)[0].FineKg, 5.025, 1e-9)

	// Creep reaches 63.21205588 % of its share after tau (first-order lag; textbook).
	p = ideal()
	p.CreepShare, p.CreepTauS, p.ReadsPerS = 0.001, 100, 1
	crept := run(NewScale(p, 1), stand(5.006317743), 100)[99].FineKg
	near(t, "creep kg", crept-5, 0.005*0.6321205588, 1e-8)

	p = ideal()
	p.DriftKgS = 1e-4
	near(t, "drift within 10 s, kg", run(NewScale(p, 1), stand(5.006317743), 100)[99].FineKg-5, 1e-3, 1e-8)
}

// A moving average over half a second at 10 readings a second: a sudden load shows in five equal parts.
func TestFilterIsAMovingAverage(t *testing.T) {
	p := ideal()
	p.FilterS = 0.5
	s, c := NewScale(p, 1), stand(0)
	run(s, c, 10)
	c.onCaddy = object{1, 1}
	for i, got := range run(s, c, 6) {
		near(t, "shown kg", got.FineKg, min(1, 0.2*float64(i+1)), 1e-9)
	}
}

// The standard deviation of many readings is the given noise, and a running engine adds amplitude²/2 to its square (sine;
// textbook).
func TestScaleNoiseAndVibration(t *testing.T) {
	spread := func(engine bool) float64 {
		p := ideal()
		p.NoiseKg, p.VibrationKg = 0.0015, 0.004
		c := stand(5)
		if engine {
			c.StartEngine()
		}
		var sum, squares float64
		const n = 5000
		for _, s := range run(NewScale(p, 3), c, n) {
			sum += s.FineKg
			squares += s.FineKg * s.FineKg
		}
		return math.Sqrt(squares/n - sum/n*sum/n)
	}
	near(t, "noise kg", spread(false), 0.0015, 0.00006)
	near(t, "with engine kg", spread(true), math.Sqrt(0.0015*0.0015+0.004*0.004/2), 0.0001)
}

// In motion while a load of more than 1 d changes, and for half a second after (NIST Handbook 44, 2.20; not checked against
// the text).
func TestMotionFlag(t *testing.T) {
	s, c := NewScale(ideal(), 1), stand(1)
	if got := run(s, c, 7); got[0].Stable || !got[6].Stable {
		t.Errorf("stable %v at the first reading, %v at rest", got[0].Stable, got[6].Stable)
	}
	c.caddyKg += 0.005
	if got := run(s, c, 1); !got[0].Stable {
		t.Error("1 d is motion")
	}
	run(s, c, 6)
	c.caddyKg += 0.010
	got := run(s, c, 7)
	for i, want := range []bool{false, false, false, false, false, true, true} {
		if got[i].Stable != want {
			t.Errorf("reading %d after a step of 2 d: stable %v", i, got[i].Stable)
		}
	}
}

// Limits of OIML R 76-1:2006, 4.2.3: no value is shown above Max + 9 d or below −20 d; zero is centred within ±0.25 d.
func TestCapacityAndZero(t *testing.T) {
	for _, c := range []struct {
		kg                float64
		over, under, zero bool
	}{
		{30.044, false, false, false}, {30.046, true, false, false},
		{-0.099, false, false, false}, {-0.101, false, true, false},
		{0.0012, false, false, true}, {0.0013, false, false, false}, {-0.0012, false, false, true},
	} {
		p := ideal()
		p.ZeroOffsetKg = c.kg
		got := run(NewScale(p, 1), stand(0), 1)[0]
		if got.Over != c.over || got.Under != c.under || got.CentreOfZero != c.zero {
			t.Errorf("%v kg: over %v, under %v, centre of zero %v", c.kg, got.Over, got.Under, got.CentreOfZero)
		}
	}
}

func TestObjectsAndBumps(t *testing.T) {
	s, c := NewScale(ideal(), 1), stand(1)
	before := run(s, c, 1)[0].FineKg
	c.LayOnCaddy(1.5)
	first := run(s, c, 1)[0].FineKg
	if first <= before || first >= before+1.5 {
		t.Errorf("an object lands in no time: %.3f kg", first)
	}
	near(t, "laid on kg", run(s, c, 20)[19].FineKg, before+1.5, 1e-6)
	c.TakeOffCaddy()
	near(t, "taken off kg", run(s, c, 20)[19].FineKg, before, 1e-6)

	c.Kick(2)
	swing := 0.0
	for _, got := range run(s, c, 3) {
		swing = math.Max(swing, math.Abs(got.FineKg-before))
	}
	if swing < 0.2 || swing > 2 {
		t.Errorf("a kick of 2 kg swings by %.3f kg", swing)
	}
	near(t, "after the kick kg", run(s, c, 30)[29].FineKg, before, 1e-4)

	c.EmptyCaddy()
	near(t, "caddy away kg", run(s, c, 10)[9].FineKg, 0, 1e-9)
	c.p.CaddyTareKg = 2
	near(t, "caddy back kg", run(s, c, 200)[199].FineKg, 2, 1e-9)
}

func TestSameSeedSameReadings(t *testing.T) {
	read := func(seed uint64) float64 {
		sum := 0.0
		for _, s := range run(NewScale(DefaultScaleParams(), seed), stand(3), 50) {
			sum += s.FineKg
		}
		return sum
	}
	if read(5) != read(5) || read(5) == read(6) {
		t.Error("readings do not follow from the seed")
	}
}
