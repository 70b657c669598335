package sim

import "math"

// Truth is the true state, which no instrument knows exactly. Masses are true masses, not weighings.
type Truth struct {
	ElapsedS                float64
	DrainedKg, AddedKg      float64 // moved out of transmission and pan, and into the transmission
	SumpKg, PanKg           float64 // what can still drain, including the film; what is still in the pan
	CaddyKg, SupplyKg       float64 // fluid only; a bottle in the hand belongs to the supply
	OverflowedKg            float64 // ran out of the check opening into the caddy
	SpilledKg, EmptiedKg    float64 // drained while no caddy stood there; carried away by EmptyCaddy
	SuppliedKg              float64 // brought to the supply, less what SwapSupply carried away
	WeepKg                  float64 // still hangs outside the sump
	FluidC, CaddyC, SupplyC float64
	EngineOn                bool
	DrainFlowKgS            float64 // out of the open pan, without a pan being tipped
	PourFlowKgS             float64 // out of the supply, without the variation of the rate
}

// Truth is the state at the end of the last Step.
func (c *Cart) Truth() Truth {
	return Truth{
		ElapsedS:  c.elapsed.Seconds(),
		DrainedKg: c.drainedKg, AddedKg: c.addedKg,
		SumpKg: c.bulkKg + c.filmKg, PanKg: c.panKg,
		CaddyKg: c.caddyKg, SupplyKg: c.supplyKg, OverflowedKg: c.overflowedKg,
		SpilledKg: c.spilledKg, EmptiedKg: c.emptiedKg, SuppliedKg: c.suppliedKg, WeepKg: c.weepKg,
		FluidC: c.fluidC, CaddyC: c.caddyC, SupplyC: c.p.AmbientC,
		EngineOn: c.engine, DrainFlowKgS: c.drainKgS, PourFlowKgS: c.pourKgS,
	}
}

// DrainedL is the drained mass in litres of f at a temperature in °C.
func (t Truth) DrainedL(f Fluid, celsius float64) float64 {
	return t.DrainedKg / f.DensityKgM3(celsius) * 1000
}

// AddedL is the added mass in litres of f at a temperature in °C.
func (t Truth) AddedL(f Fluid, celsius float64) float64 {
	return t.AddedKg / f.DensityKgM3(celsius) * 1000
}

// The convention of weighing in air (OIML D 28:2004): a scale is adjusted with weights of this density in air of this density.
const (
	airKgM3    = 1.2
	weightKgM3 = 8000.0
)

// inAirKg is what a scale shows for a body of this mass and density in the cart's air.
func (c *Cart) inAirKg(massKg, densityKgM3 float64) float64 {
	return massKg * (1 - c.p.AirKgM3/densityKgM3) / (1 - airKgM3/weightKgM3)
}

// LoadKg is what a perfect scale would show now. Containers and objects count with their conventional mass, which a weighing
// gives.
func (c *Cart) LoadKg(on ScaleLoad) float64 {
	load := 0.0
	if on != OnSupply {
		load += c.kickNowKg() + c.lean.kg
		if c.awayS == 0 {
			load += c.p.CaddyTareKg + c.onCaddy.kg + c.inAirKg(c.caddyKg, c.p.Used.DensityKgM3(c.caddyC))
		}
	}
	if on != OnCaddy {
		load += c.onSupply.kg
	}
	if on != OnCaddy && c.supplyAwayS == 0 {
		load += c.p.SupplyTareKg + c.inAirKg(c.supplyKg, c.p.Fresh.DensityKgM3(c.p.AmbientC)) + c.bottlesKg()
	}
	return load
}

// kickNowKg is what a kick adds at the moment.
func (c *Cart) kickNowKg() float64 {
	return c.kickKg * math.Exp(-c.kickAgeS/kickTauS) * math.Cos(2*math.Pi*kickHz*c.kickAgeS)
}

// ObjectsKg is the part of LoadKg that is objects, a leaning person and a kick.
func (c *Cart) ObjectsKg(on ScaleLoad) float64 {
	kg := 0.0
	if on != OnSupply {
		kg += c.lean.kg + c.kickNowKg()
		if c.awayS == 0 {
			kg += c.onCaddy.kg
		}
	}
	if on != OnCaddy {
		kg += c.onSupply.kg // it stands beside the container
	}
	return kg
}
