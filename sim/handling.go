package sim

import (
	"math"
	"time"
)

// object is what lies on a place, as a scale shows it, and where that goes while a hand moves something.
type object struct{ kg, wantKg float64 }

func (o *object) move(dtS float64) { o.kg = approach(o.kg, o.wantKg, dtS, handS/3) }

// lean is somebody's weight on the caddy's place; it grows and falls evenly.
type lean struct{ kg, wantKg, kgS float64 }

func (l *lean) move(dtS float64) {
	l.kg += math.Min(math.Max(l.wantKg-l.kg, -l.kgS*dtS), l.kgS*dtS)
}

// LayOnCaddy lays an object on the caddy. Its kg are a scale's kg (conventional mass), whatever it is made of.
func (c *Cart) LayOnCaddy(kg float64) { c.onCaddy.wantKg += kg }

// TakeFromCaddy takes one of those objects off.
func (c *Cart) TakeFromCaddy(kg float64) { c.onCaddy.wantKg -= kg }

// TakeOffCaddy takes off all that was laid on it.
func (c *Cart) TakeOffCaddy() { c.onCaddy.wantKg, c.panDripS = 0, 0 }

// LayOnSupply lays an object beside the supply.
func (c *Cart) LayOnSupply(kg float64) { c.onSupply.wantKg += kg }

// TakeFromSupply takes it away again.
func (c *Cart) TakeFromSupply(kg float64) { c.onSupply.wantKg -= kg }

// LayPanOnCaddy lays the pan, metalKg without its fluid, on the caddy: what is in it runs off into the caddy with time
// constant tau.
func (c *Cart) LayPanOnCaddy(metalKg float64, tau time.Duration) {
	c.panDripS = math.Max(tau.Seconds(), longestStep.Seconds())
	c.onCaddy.wantKg += metalKg + c.inAirKg(c.panKg, c.p.Used.DensityKgM3(c.fluidC))
}

// TakePanFromCaddy takes it off with what still clings to it.
func (c *Cart) TakePanFromCaddy(metalKg float64) {
	c.panDripS = 0
	c.onCaddy.wantKg -= metalKg + c.inAirKg(c.panKg, c.p.Used.DensityKgM3(c.fluidC))
}

// LeanOnCaddy lets somebody's weight come to kg, evenly within the time given; 0 kg ends it.
func (c *Cart) LeanOnCaddy(kg float64, within time.Duration) {
	c.lean.wantKg = kg
	c.lean.kgS = math.Abs(kg-c.lean.kg) / math.Max(within.Seconds(), longestStep.Seconds())
}

// Kick bumps the caddy's scale: a swing of up to kg that dies away within a second.
func (c *Cart) Kick(kg float64) { c.kickKg, c.kickAgeS = kg, 0 }

// EmptyCaddy lifts the caddy off, empties it to the last drop and puts it back 20 s later. What drains meanwhile is spilled.
func (c *Cart) EmptyCaddy() { c.awayS = emptyingS }

// SwapSupply takes the supply's container away and puts a like one with kg of fluid there 8 s later.
func (c *Cart) SwapSupply(kg float64) {
	c.suppliedKg += kg - c.supplyKg
	c.supplyKg = kg
	c.supplyAwayS = swappingS
}

// StartRefill pours fluid into the supply's container until StopRefill.
func (c *Cart) StartRefill(kgPerS float64) { c.refillKgS = math.Max(0, kgPerS) }

// StopRefill ends it.
func (c *Cart) StopRefill() { c.refillKgS = 0 }

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
	c.supplyKg += c.refillKgS * dtS
	c.suppliedKg += c.refillKgS * dtS
}

// handle moves what hands move.
func (c *Cart) handle(dtS float64) {
	c.onCaddy.move(dtS)
	c.onSupply.move(dtS)
	c.lean.move(dtS)
	c.awayS = math.Max(0, c.awayS-dtS)
	c.supplyAwayS = math.Max(0, c.supplyAwayS-dtS)
	c.kickAgeS += dtS
}
