package sim

import "math"

// bottles are those of a supply that comes in bottles: each is taken off the scale, poured elsewhere, and put back or thrown
// away.
type bottles struct {
	standKg []float64 // fluid in each that stands on the scale; the last one is taken next
	empty   int       // empty ones on the scale
	handKg  float64   // fluid in the bottle in the hand
}

const bottleClingsKg = 0.009 // stays in an emptied bottle: common practice, no source

// BringBottles puts n full bottles of kg each on the supply's scale.
func (c *Cart) BringBottles(n int, kg float64) {
	for range n {
		c.bottles.standKg = append(c.bottles.standKg, kg)
	}
	c.supplyKg += float64(n) * kg
	c.suppliedKg += float64(n) * kg
}

// Bottles is how many bottles with fluid stand on the scale.
func (c *Cart) Bottles() int { return len(c.bottles.standKg) }

// TakeBottle takes one off the scale and returns its fluid. From now on [Cart.StartPour] pours from it. There must be one.
func (c *Cart) TakeBottle() (kg float64) {
	b := &c.bottles
	last := len(b.standKg) - 1
	b.handKg, b.standKg = b.standKg[last], b.standKg[:last]
	return b.handKg
}

// BottleEmpty reports whether nothing more runs out of the bottle in the hand.
func (c *Cart) BottleEmpty() bool { return c.bottles.handKg < bottleClingsKg+minKg }

// PutBottleBack puts the bottle in the hand on the scale again.
func (c *Cart) PutBottleBack() {
	b := &c.bottles
	if c.BottleEmpty() {
		b.empty++
	} else {
		b.standKg = append(b.standKg, b.handKg)
	}
	b.handKg = 0
}

// ThrowBottleAway throws the bottle in the hand away, with what clings in it.
func (c *Cart) ThrowBottleAway() {
	c.supplyKg -= c.bottles.handKg
	c.suppliedKg -= c.bottles.handKg
	c.bottles.handKg = 0
}

// PourableKg is the fluid that the next pour can take.
func (c *Cart) PourableKg() float64 {
	if c.p.BottleTareKg > 0 {
		return math.Max(0, c.bottles.handKg-bottleClingsKg)
	}
	return c.supplyKg
}

// bottlesKg is the weight of empty bottles on the scale, less the fluid that is in the hand.
func (c *Cart) bottlesKg() float64 {
	b := &c.bottles
	return c.p.BottleTareKg*float64(len(b.standKg)+b.empty) - c.inAirKg(b.handKg, c.p.Fresh.DensityKgM3(c.p.AmbientC))
}
