package sim

import (
	"math"
	"testing"
	"time"
)

// watery is a fluid thin enough for Torricelli's law.
var watery = Fluid{Density15KgM3: 850, Viscosity40: 0.3, Viscosity100: 0.25}

// Torricelli (textbook; value computed independently): 60 mm over a hole of 12 mm, Cd 0.6, first flow 0.0736130114 L/s.
func TestThinFluidLeavesByTorricelli(t *testing.T) {
	area := math.Pi / 4 * 0.012 * 0.012
	near(t, "flow L/s", orificeMS(0.06, 0.012, 0.6, 0)*area*1000, 0.0736130114, 5e-11)
}

// Sampson's law of creeping flow (textbook): pressure = 3·viscosity·flow/radius³, so the mean velocity is
// g·h·r/(3·π·v), proportional to the head.
func TestThickFluidCreeps(t *testing.T) {
	const r, v = 0.004, 0.01
	for _, head := range []float64{0.001, 0.05} {
		near(t, "velocity m/s", orificeMS(head, 2*r, 0.6, v), 9.80665*head*r/(3*math.Pi*v), 1e-3*head)
	}
	if orificeMS(0, 0.012, 0.6, 0) != 0 {
		t.Error("flow without head")
	}
}

// The vessel of the same example, 4.8 L on 0.08 m²: drained 1 − (1 − t/T)² after t, with T = 130.411728 s (computed
// independently from Torricelli's law), a quarter of which is 32.602932 s. Even this thin fluid creeps a little: 1.2 mL.
func TestVesselDrainsAsParabola(t *testing.T) {
	p := plain(20)
	p.Used, p.FilmKg, p.HoleDiameterM, p.SumpAreaM2 = watery, 0, 0.012, 0.08
	density := p.Used.DensityKgM3(20)
	p.SumpKg = 0.0048 * density
	c := NewCart(p)
	c.OpenDrain()
	for _, want := range []float64{2.1, 3.6, 4.5, 4.8} {
		c.Step(32_602_932 * time.Microsecond)
		near(t, "drained L", c.Truth().DrainedL(p.Used, 20), want, 0.0012)
	}
}

// Steps of 50 ms are short enough: steps fifty times shorter change almost nothing.
func TestDrainingDoesNotDependOnSteps(t *testing.T) {
	drained := func(step time.Duration) float64 {
		c := NewCart(DefaultParams())
		c.OpenDrain()
		for range 10 * time.Second / step {
			c.Step(step)
		}
		return c.Truth().DrainedKg
	}
	near(t, "drained kg", drained(50*time.Millisecond), drained(time.Millisecond), 1e-6)
}

// A thicker fluid takes longer.
func TestViscosityDelaysDraining(t *testing.T) {
	drained := func(celsius float64) float64 {
		c := NewCart(plain(celsius))
		c.OpenDrain()
		c.Step(20 * time.Second)
		return c.Truth().DrainedL(c.p.Used, celsius)
	}
	if cold, hot := drained(-10), drained(80); cold > 0.8*hot {
		t.Errorf("after 20 s %.3f L at -10 °C, %.3f L at 80 °C: too alike", cold, hot)
	}
}

// Film on a plate of 0.3 m × 1 m, mL held at 10, 60, 300, 600 s (computed independently from Jeffreys 1930). The film begins
// as it is at 10 s.
func TestFilmFollowsJeffreys(t *testing.T) {
	for _, c := range []struct {
		mm2S float64
		held [4]float64
	}{
		{7.2, [4]float64{29.68223, 12.11772, 5.419209, 3.831959}},
		{35, [4]float64{65.44317, 26.71706, 11.94823, 8.448677}},
		{100, [4]float64{110.6191, 45.16008, 20.19620, 14.28087}},
	} {
		p := plain(40)
		p.Used = Fluid{Density15KgM3: 850, Viscosity40: c.mm2S, Viscosity100: c.mm2S / 5}
		density := p.Used.DensityKgM3(40)
		p.FilmWidthM, p.FilmHeightM = 1, 0.3
		p.SumpKg = c.held[0] * 1e-6 * density
		p.FilmKg = p.SumpKg
		cart := NewCart(p)
		cart.OpenDrain()
		for i, wait := range []time.Duration{50, 240, 300} {
			cart.Step(wait * time.Second)
			held := cart.Truth().SumpKg / density * 1e6
			near(t, "film mL", held, c.held[i+1], c.held[i+1]*3e-7)
		}
	}
}

// The default job has the figures that DefaultParams states (common practice, no source): about 3.8 L, a gush with a peak near
// 0.1 kg/s, nearly all of it within two minutes, then drips for half an hour.
func TestDefaultJobIsTypical(t *testing.T) {
	p := DefaultParams()
	c := NewCart(p)
	near(t, "sump L", p.SumpKg/p.Used.DensityKgM3(p.FluidC)*1000, 3.8, 0.1)
	c.OpenDrain()
	c.Step(time.Second)
	near(t, "peak kg/s", c.Truth().DrainFlowKgS, 0.1, 0.02)
	c.Step(119 * time.Second)
	atTwo := c.Truth()
	if share := atTwo.DrainedKg / p.SumpKg; share < 0.95 || share > 0.985 {
		t.Errorf("%.3f of the sump is out after two minutes, want nearly all but not the film", share)
	}
	if atTwo.DrainFlowKgS > 0.001 || atTwo.DrainFlowKgS < 1e-5 {
		t.Errorf("%.2g kg/s after two minutes, want drips", atTwo.DrainFlowKgS)
	}
	c.Step(28 * time.Minute)
	if more := c.Truth().DrainedKg - atTwo.DrainedKg; more < 0.03 || more > 0.12 {
		t.Errorf("%.3f kg dripped between 2 and 30 min", more)
	}
}
