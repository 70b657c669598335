package sim

import (
	"testing"
	"time"
)

// Three bottles of 0.8 kg: one is emptied and put back, one is emptied and thrown away, one is opened and put back.
func TestBottlesOnTheSupply(t *testing.T) {
	p := plain(20)
	p.SupplyKg, p.SupplyTareKg, p.BottleTareKg = 0, 1, 0.05
	c := NewCart(p)
	kg := func(fluid, bottles float64) float64 {
		return 1 + 0.05*bottles + c.inAirKg(fluid, p.Fresh.DensityKgM3(20))
	}
	c.BringBottles(3, 0.8)
	near(t, "brought, kg", c.LoadKg(OnSupply), kg(2.4, 3), 1e-9)

	pour := func(d time.Duration) {
		c.StartPour(0.1)
		c.Step(d)
		c.StopPour()
		c.Step(3 * time.Second)
	}
	near(t, "in the hand, kg", c.TakeBottle(), 0.8, 1e-9)
	near(t, "one taken, kg", c.LoadKg(OnSupply), kg(1.6, 2), 1e-9)
	pour(20 * time.Second)
	near(t, "nothing comes from those on the scale, kg", c.LoadKg(OnSupply), kg(1.6, 2), 1e-9)
	near(t, "added, kg", c.Truth().AddedKg, 0.8-bottleClingsKg, 1e-9)
	c.PutBottleBack()
	near(t, "an empty one is back, kg", c.LoadKg(OnSupply), kg(1.6+bottleClingsKg, 3), 1e-9)

	c.TakeBottle()
	pour(20 * time.Second)
	c.ThrowBottleAway()
	near(t, "one thrown away, kg", c.LoadKg(OnSupply), kg(0.8+bottleClingsKg, 2), 1e-9)

	c.TakeBottle()
	pour(2 * time.Second)
	if c.BottleEmpty() {
		t.Error("empty after 0.2 kg")
	}
	c.PutBottleBack()
	tr := c.Truth()
	near(t, "an opened one is back, kg", c.LoadKg(OnSupply), kg(tr.SupplyKg, 2), 1e-9)
	near(t, "nothing is lost, kg", tr.SupplyKg, tr.SuppliedKg-tr.AddedKg, 1e-9)
	if n := c.Bottles(); n != 1 {
		t.Errorf("%d with fluid", n)
	}
}

func TestFluidRunsOver(t *testing.T) {
	c := NewCart(plain(20))
	before := c.Truth()
	c.RunOver(0.2)
	c.Step(8 * time.Second)
	near(t, "after one time constant, kg", c.Truth().OverflowedKg, 0.2*0.63212056, 1e-8)
	c.Step(5 * time.Minute)
	tr := c.Truth()
	near(t, "ran over, kg", tr.OverflowedKg, 0.2, 1e-9)
	near(t, "in the caddy, kg", tr.CaddyKg-before.CaddyKg, 0.2, 1e-9)
	near(t, "less in the sump, kg", before.SumpKg-tr.SumpKg, 0.2, 1e-9)
	near(t, "drained, kg", tr.DrainedKg, 0, 1e-9)
}
