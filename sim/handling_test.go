package sim

import (
	"testing"
	"time"
)

// The total weight stays the same while a pan on the caddy drips; what it leaves is in the caddy.
func TestPanDripsOnTheCaddy(t *testing.T) {
	p := plain(20)
	p.PanResidueKg = 0.4
	c := NewCart(p)
	before := c.LoadKg(OnCaddy)
	fluid := c.inAirKg(0.4, p.Used.DensityKgM3(20))
	c.LayPanOnCaddy(1.5, 20*time.Second)
	c.Step(3 * time.Second)
	near(t, "laid on, kg", c.LoadKg(OnCaddy)-before, 1.5+fluid, 1e-9)
	c.Step(17 * time.Second)
	near(t, "laid on after 20 s, kg", c.LoadKg(OnCaddy)-before, 1.5+fluid, 1e-9)
	near(t, "in the pan after one time constant, kg", c.Truth().PanKg, 0.4*0.36787944, 1e-8)
	near(t, "objects, kg", c.ObjectsKg(OnCaddy), 1.5+fluid*0.36787944, 1e-8)
	c.TakePanFromCaddy(1.5)
	c.Step(3 * time.Second)
	near(t, "left behind, kg", c.LoadKg(OnCaddy)-before, fluid*0.63212056, 1e-8)
	near(t, "drained, kg", c.Truth().DrainedKg, 0.4*0.63212056, 1e-8)
	near(t, "objects left, kg", c.ObjectsKg(OnCaddy), 0, 1e-9)
}

func TestToolsOnTheirPlaces(t *testing.T) {
	c := NewCart(plain(20))
	caddy, supply := c.LoadKg(OnCaddy), c.LoadKg(OnSupply)
	c.LayOnCaddy(0.5)
	c.LayOnCaddy(0.2)
	c.LayOnSupply(0.3)
	c.Step(3 * time.Second)
	near(t, "two tools, kg", c.LoadKg(OnCaddy)-caddy, 0.7, 1e-9)
	near(t, "beside the supply, kg", c.LoadKg(OnSupply)-supply, 0.3, 1e-9)
	near(t, "objects on both, kg", c.ObjectsKg(OnBoth), 1, 1e-9)
	c.TakeFromCaddy(0.5)
	c.TakeFromSupply(0.3)
	c.Step(3 * time.Second)
	near(t, "one left, kg", c.LoadKg(OnBoth)-caddy-supply, 0.2, 1e-9)
}

func TestLeanComesAndGoesEvenly(t *testing.T) {
	c := NewCart(plain(20))
	before := c.LoadKg(OnCaddy)
	c.LeanOnCaddy(2, 10*time.Second)
	for _, want := range []float64{0.5, 1, 1.5, 2, 2} {
		c.Step(2500 * time.Millisecond)
		near(t, "leaning, kg", c.LoadKg(OnCaddy)-before, want, 1e-9)
	}
	c.LeanOnCaddy(0, 4*time.Second)
	c.Step(time.Second)
	near(t, "a quarter gone, kg", c.LoadKg(OnCaddy)-before, 1.5, 1e-9)
	c.Step(10 * time.Second)
	near(t, "gone, kg", c.LoadKg(OnCaddy)-before, 0, 1e-9)
}

func TestSupplyIsSwappedAndRefilled(t *testing.T) {
	p := plain(20)
	p.SupplyKg, p.SupplyTareKg = 1, 0.5
	c := NewCart(p)
	c.SwapSupply(6)
	c.StartPour(0.05)
	c.Step(4 * time.Second)
	near(t, "away, kg", c.LoadKg(OnSupply), 0, 1e-12)
	near(t, "poured out of nothing, kg", c.Truth().AddedKg, 0, 0)
	c.StopPour()
	c.Step(5 * time.Second)
	near(t, "the next one, kg", c.Truth().SupplyKg, 6, 1e-9)
	near(t, "it weighs, kg", c.LoadKg(OnSupply), 0.5+c.inAirKg(6, p.Fresh.DensityKgM3(20)), 1e-9)
	c.StartRefill(0.1)
	c.Step(10 * time.Second)
	c.StopRefill()
	c.Step(10 * time.Second)
	near(t, "refilled, kg", c.Truth().SupplyKg, 7, 1e-9)
	near(t, "brought, kg", c.Truth().SuppliedKg, 6, 1e-9)
}

// Fluid outside the sump keeps dripping when the pan is closed: after one time constant 36.787944 % is left (e⁻¹).
func TestWeepGoesOn(t *testing.T) {
	p := plain(20)
	p.SumpKg, p.FilmKg, p.WeepKg, p.WeepTauS = 0, 0, 0.1, 300
	c := NewCart(p)
	c.Step(time.Minute)
	near(t, "before the pan is opened, kg", c.Truth().DrainedKg, 0, 0)
	c.OpenDrain()
	c.Step(time.Second)
	c.CloseDrain()
	c.Step(299 * time.Second)
	near(t, "still hanging, kg", c.Truth().WeepKg, 0.1*0.36787944, 1e-8)
}
