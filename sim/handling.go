package sim

import (
	"math"
	"time"
)

// object is the total of the objects that lie in one place, in kg as a scale shows it: now, and once the hand has let go.
type object struct{ kg, wantKg float64 }

func (o *object) move(dtS float64) { o.kg = approach(o.kg, o.wantKg, dtS, handS/3) }

// lean is the weight of a person who leans on the caddy; it grows and falls at a constant rate.
type lean struct{ kg, wantKg, kgS float64 }

func (l *lean) move(dtS float64) {
	l.kg += math.Min(math.Max(l.wantKg-l.kg, -l.kgS*dtS), l.kgS*dtS)
}

// LayOnCaddy lays an object on the caddy. Its mass is the conventional mass in kg, which a scale shows, whatever its material.
func (c *Cart) LayOnCaddy(kg float64) { c.onCaddy.wantKg += kg }

// TakeFromCaddy takes one of those objects off.
func (c *Cart) TakeFromCaddy(kg float64) { c.onCaddy.wantKg -= kg }

// TakeOffCaddy takes off everything that was laid on the caddy.
func (c *Cart) TakeOffCaddy() { c.onCaddy.wantKg, c.panDripS = 0, 0 }

// LayOnSupply lays an object beside the supply.
func (c *Cart) LayOnSupply(kg float64) { c.onSupply.wantKg += kg }

// TakeFromSupply takes one of those objects away.
func (c *Cart) TakeFromSupply(kg float64) { c.onSupply.wantKg -= kg }

// LayPanOnCaddy lays the pan on the caddy: metalKg is its mass without fluid, and its fluid runs into the caddy with time
// constant tau.
func (c *Cart) LayPanOnCaddy(metalKg float64, tau time.Duration) {
	c.panDripS = math.Max(tau.Seconds(), maxStep.Seconds())
	c.onCaddy.wantKg += metalKg + c.inAirKg(c.panKg, c.p.Used.DensityKgM3(c.fluidC))
}

// TakePanFromCaddy takes the pan off with the fluid that is still in it.
func (c *Cart) TakePanFromCaddy(metalKg float64) {
	c.panDripS = 0
	c.onCaddy.wantKg -= metalKg + c.inAirKg(c.panKg, c.p.Used.DensityKgM3(c.fluidC))
}

// LeanOnCaddy changes the weight of a leaning person to kg at a constant rate within the given time; 0 kg ends it.
func (c *Cart) LeanOnCaddy(kg float64, within time.Duration) {
	c.lean.wantKg = kg
	c.lean.kgS = math.Abs(kg-c.lean.kg) / math.Max(within.Seconds(), maxStep.Seconds())
}

// Kick bumps the scale of the caddy: an oscillation of up to kg that decays within a second.
func (c *Cart) Kick(kg float64) {
	c.kickKg, c.kickAgeS = kg, 0
	c.kicks++
}

// EmptyCaddy takes the caddy away, empties it completely and puts it back after 20 s. What drains meanwhile is spilled.
func (c *Cart) EmptyCaddy() { c.awayS = emptyingS }

// SwapSupply replaces the container of the supply within 8 s by an equal one with kg of fluid.
func (c *Cart) SwapSupply(kg float64) {
	c.suppliedKg += kg - c.supplyKg
	c.supplyKg = kg
	c.supplyAwayS = swappingS
}

// NextVehicle takes the vehicle away and brings an equal one: pan closed, engine off, nothing drained or added yet. Caddy,
// supply and what lies on the scales stay as they are.
func (c *Cart) NextVehicle() {
	fresh := NewCart(c.p)
	c.bulkKg, c.filmKg, c.panKg, c.weepKg, c.fluidC = fresh.bulkKg, fresh.filmKg, fresh.panKg, fresh.weepKg, fresh.fluidC
	c.open, c.opened, c.engine = false, false, false
	c.drainedKg, c.addedKg, c.overflowKg, c.overflowedKg, c.panKgS, c.pourWantKgS = 0, 0, 0, 0, 0, 0
}

// DipProbe puts the probe of a site into something else at a temperature in °C; NaN puts it back.
func (c *Cart) DipProbe(site ProbeSite, celsius float64) {
	if c.dipC == nil {
		c.dipC = map[ProbeSite]float64{}
	}
	c.dipC[site] = celsius
	if math.IsNaN(celsius) {
		delete(c.dipC, site)
	}
}

// FillUp pours fluid into the container of the supply until it is as full as at the start.
func (c *Cart) FillUp(kgPerS float64) { c.refillKgS, c.refillToKg = math.Max(0, kgPerS), c.p.SupplyKg }

// StartRefill pours fluid into the container of the supply until StopRefill.
func (c *Cart) StartRefill(kgPerS float64) { c.refillKgS, c.refillToKg = math.Max(0, kgPerS), 0 }

// StopRefill stops pouring into the supply.
func (c *Cart) StopRefill() { c.refillKgS = 0 }

// RunOver lets kg of fluid run out of the check opening into the caddy, at first fast and then slower.
func (c *Cart) RunOver(kg float64) { c.overflowKg += kg }

func (c *Cart) runOver(dtS float64) {
	const tauS = 8 // common practice, no source
	left := approach(c.overflowKg, 0, dtS, tauS)
	out := math.Min(c.bulkKg, c.overflowKg-left)
	c.overflowKg = left
	c.bulkKg -= out
	c.caddyKg += out
	c.overflowedKg += out
}

func (c *Cart) dripPan(dtS float64) {
	if c.panDripS == 0 {
		return
	}
	left := approach(c.panKg, 0, dtS, c.panDripS)
	kg := c.inAirKg(c.panKg-left, c.p.Used.DensityKgM3(c.fluidC))
	c.onCaddy.kg -= kg
	c.onCaddy.wantKg -= kg
	c.leave(c.panKg - left)
	c.panKg = left
}

func (c *Cart) refill(dtS float64) {
	if c.refillToKg > 0 && c.supplyKg >= c.refillToKg {
		c.refillKgS, c.refillToKg = 0, 0
	}
	c.supplyKg += c.refillKgS * dtS
	c.suppliedKg += c.refillKgS * dtS
}

// handle moves objects, leaning person, caddy and supply by one step.
func (c *Cart) handle(dtS float64) {
	c.onCaddy.move(dtS)
	c.onSupply.move(dtS)
	c.lean.move(dtS)
	c.awayS = math.Max(0, c.awayS-dtS)
	c.supplyAwayS = math.Max(0, c.supplyAwayS-dtS)
	c.kickAgeS += dtS
}
