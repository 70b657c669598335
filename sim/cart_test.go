package sim

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Newton's law of cooling (textbook; values computed independently): from 20 °C towards 90 °C, tau 900 s.
func TestEngineWarmsFluid(t *testing.T) {
	c := NewCart(plain(20))
	c.StartEngine()
	at := 0.0
	for _, w := range []struct{ s, celsius float64 }{
		{60, 24.5145110}, {217.045851, 35}, {300, 39.8428083}, {302.825013, 40}, {397.649477, 45}, {503.654209, 50}, {600, 54.0608017}, {900, 64.2484391}, {1800, 80.5265302},
	} {
		c.Step(time.Duration((w.s - at) * 1e9))
		at = w.s
		near(t, "fluid °C", c.Truth().FluidC, w.celsius, 6e-8)
	}
	// Cooling: after one time constant, 36.787944 % of the difference is left (e⁻¹).
	before := c.Truth().FluidC
	c.StopEngine()
	c.Step(5400 * time.Second)
	near(t, "cooled to °C", c.Truth().FluidC, 20+(before-20)*0.36787944, 1e-6)
}

// No action creates or loses fluid, and the masses in vehicle and cart agree.
func TestMassIsConserved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := DefaultParams()
		p.Seed = rapid.Uint64().Draw(t, "seed")
		p.SumpKg = rapid.Float64Range(0, 8).Draw(t, "sump")
		p.PanResidueKg = rapid.Float64Range(0, 1).Draw(t, "pan")
		p.FilmKg = rapid.Float64Range(0, 1).Draw(t, "film")
		p.CaddyHeelKg = rapid.Float64Range(0, 2).Draw(t, "heel")
		p.SupplyKg = rapid.Float64Range(0, 2).Draw(t, "supply")
		p.WeepKg, p.WeepTauS = rapid.Float64Range(0, 0.3).Draw(t, "weep"), 60
		p.FluidC = rapid.Float64Range(-20, 130).Draw(t, "celsius")
		c := NewCart(p)
		whole := p.SumpKg + p.PanResidueKg + p.WeepKg + p.CaddyHeelKg + p.SupplyKg
		for range rapid.IntRange(1, 12).Draw(t, "actions") {
			switch rapid.IntRange(0, 15).Draw(t, "action") {
			case 0, 1:
				c.OpenDrain()
			case 2:
				c.CloseDrain()
			case 3:
				c.TipPan(time.Duration(rapid.IntRange(0, 5).Draw(t, "over")) * time.Second)
			case 4, 5:
				c.StartPour(rapid.Float64Range(0, 0.2).Draw(t, "rate"))
			case 6:
				c.StopPour()
			case 7:
				c.EmptyCaddy()
			case 8:
				c.StartEngine()
			case 9:
				c.LayOnCaddy(1)
			case 10:
				c.Kick(1)
			case 11:
				c.LayPanOnCaddy(1.2, 10*time.Second)
			case 12:
				c.TakePanFromCaddy(1.2)
			case 13:
				c.SwapSupply(rapid.Float64Range(0, 3).Draw(t, "swapped"))
			case 14:
				c.StartRefill(0.05)
			case 15:
				c.StopRefill()
			}
			c.Step(time.Duration(rapid.IntRange(0, 20_000).Draw(t, "ms")) * time.Millisecond)
			tr := c.Truth()
			for name, kg := range map[string]float64{"sump": tr.SumpKg, "pan": tr.PanKg, "caddy": tr.CaddyKg, "supply": tr.SupplyKg, "spilled": tr.SpilledKg, "emptied": tr.EmptiedKg, "weep": tr.WeepKg} {
				if !(kg >= 0) {
					t.Fatalf("%s %g kg", name, kg)
				}
			}
			same := func(what string, got, want float64) {
				if d := got - want; !(d < 1e-9 && d > -1e-9) {
					t.Fatalf("%s: %.12f kg, want %.12f", what, got, want)
				}
			}
			vehicle := tr.SumpKg + tr.PanKg + tr.WeepKg
			same("all", vehicle+tr.CaddyKg+tr.SupplyKg+tr.SpilledKg+tr.EmptiedKg, whole+tr.SuppliedKg)
			same("vehicle", vehicle, p.SumpKg+p.PanResidueKg+p.WeepKg-tr.DrainedKg+tr.AddedKg)
			same("supply", tr.SupplyKg, p.SupplyKg-tr.AddedKg+tr.SuppliedKg)
			same("caddy", tr.CaddyKg, p.CaddyHeelKg+tr.DrainedKg-tr.SpilledKg-tr.EmptiedKg)
		}
	})
}

// life plays a whole job and returns the truth at its end.
func life(seed uint64) Truth {
	p := DefaultParams()
	p.Seed = seed
	c := NewCart(p)
	c.OpenDrain()
	c.Step(90 * time.Second)
	c.TipPan(3 * time.Second)
	c.Step(5 * time.Second)
	c.CloseDrain()
	c.StartPour(0.05)
	c.Step(33 * time.Second)
	c.StopPour()
	c.StartEngine()
	c.Step(100 * time.Second)
	return c.Truth()
}

func TestSameSeedSameTruth(t *testing.T) {
	if life(7) != life(7) {
		t.Error("two runs of one seed differ")
	}
	if life(7) == life(8) {
		t.Error("two seeds agree to the last bit")
	}
}

func TestTipPanTakesItsTime(t *testing.T) {
	p := plain(20)
	p.PanResidueKg = 0.4
	c := NewCart(p)
	c.TipPan(4 * time.Second)
	c.Step(time.Second)
	near(t, "after a quarter of the time, kg", c.Truth().DrainedKg, 0.1, 1e-9)
	c.Step(3100 * time.Millisecond)
	near(t, "in the end, kg", c.Truth().DrainedKg, 0.4, 1e-12)
}

// The tap is a first-order lag of tau = 1/12 s: opening costs rate·tau of the full rate, and closing adds as much.
func TestPourRunsAtItsRate(t *testing.T) {
	c := NewCart(plain(20))
	c.StartPour(0.05)
	c.Step(10 * time.Second)
	near(t, "added kg", c.Truth().AddedKg, 0.05*(10-0.25/3), 0.05*0.05)
	c.StopPour()
	c.Step(2 * time.Second)
	near(t, "after closing kg", c.Truth().AddedKg, 0.5, 1e-5)
	rest := c.Truth().AddedKg
	c.Step(time.Minute)
	if c.Truth().AddedKg != rest {
		t.Error("a closed tap runs")
	}
}

func TestPourStopsWhenSupplyIsEmpty(t *testing.T) {
	p := DefaultParams()
	p.SupplyKg = 0.3
	c := NewCart(p)
	c.StartPour(0.05)
	c.Step(20 * time.Second)
	if tr := c.Truth(); tr.SupplyKg != 0 || tr.AddedKg < 0.3-1e-12 {
		t.Errorf("supply %g kg, added %g kg", tr.SupplyKg, tr.AddedKg)
	}
	if c.pourWantKgS != 0 {
		t.Error("the pour goes on without fluid")
	}
}

// Mass over density at that temperature (Table 54D, as in fluid_test.go): 850 kg/m³ at 15 °C is 808.66463 at 80 °C.
func TestTruthInLitres(t *testing.T) {
	tr, f := Truth{DrainedKg: 0.85, AddedKg: 1.7}, Fluid{Density15KgM3: 850}
	near(t, "drained L", tr.DrainedL(f, 15), 1, 1e-12)
	near(t, "added L", tr.AddedL(f, 15), 2, 1e-12)
	near(t, "added hot L", tr.AddedL(f, 80), 1.7/0.80866463, 1e-8)
}

func TestClosedPanHolds(t *testing.T) {
	c := NewCart(DefaultParams())
	c.OpenDrain()
	c.Step(5 * time.Second)
	c.CloseDrain()
	before := c.Truth().DrainedKg
	c.Step(time.Minute)
	if tr := c.Truth(); before == 0 || tr.DrainedKg != before || tr.DrainFlowKgS != 0 {
		t.Errorf("%g kg out when it was closed, %g a minute later", before, tr.DrainedKg)
	}
	// Fresh fluid wets the walls before it reaches the pan, so after opening again the film drips as before.
	c.StartPour(0.05)
	c.Step(20 * time.Second)
	near(t, "film kg", c.filmKg, c.p.FilmKg, 1e-12)
}

// Mixing of equal fluids gives the mean by mass. 5 kg at 80 °C and 1 kg at 20 °C make 70 °C.
func TestColdFluidCoolsTransmission(t *testing.T) {
	p := plain(80)
	p.AmbientC, p.CoolTauS = 20, 1e12
	p.SumpKg, p.FilmKg, p.RetainedKg, p.SupplyKg = 0.5, 0, 4.5, 1
	c := NewCart(p)
	c.StartPour(0.1)
	c.Step(30 * time.Second)
	near(t, "mixed °C", c.Truth().FluidC, 70, 1e-6)
}

// Newton cooling of a lump (textbook): tau = m·c/(h·A) = 3·2000/(12·0.25) = 2000 s, after which e⁻¹ of 30 K is left.
func TestCaddyCools(t *testing.T) {
	p := plain(50)
	p.AmbientC, p.CaddyAreaM2, p.CaddyHeelKg = 20, 0.25, 3
	c := NewCart(p)
	c.caddyC = 50
	c.Step(2000 * time.Second)
	near(t, "caddy °C", c.Truth().CaddyC, 20+30*0.36787944, 1e-5)
}

func TestDrainingWithoutCaddySpills(t *testing.T) {
	c := NewCart(DefaultParams())
	c.OpenDrain()
	c.Step(5 * time.Second)
	c.EmptyCaddy()
	c.Step(30 * time.Second)
	tr := c.Truth()
	if tr.EmptiedKg < 0.8+0.3 || tr.SpilledKg < 0.5 || tr.CaddyKg < 0.01 {
		t.Errorf("emptied %.3f, spilled %.3f, caddy %.3f kg", tr.EmptiedKg, tr.SpilledKg, tr.CaddyKg)
	}
}

// A long step is divided, so it gives the same result as many short ones.
func TestLongStepIsDivided(t *testing.T) {
	long, short := NewCart(DefaultParams()), NewCart(DefaultParams())
	long.OpenDrain()
	short.OpenDrain()
	long.Step(30 * time.Second)
	for range 600 {
		short.Step(50 * time.Millisecond)
	}
	if long.Truth() != short.Truth() {
		t.Errorf("%+v\n%+v", long.Truth(), short.Truth())
	}
}
