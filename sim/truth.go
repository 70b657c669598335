package sim

import "math"

// Truth is what no instrument of the cart knows exactly. Masses are true masses, not weighings.
type Truth struct {
	ElapsedS                float64
	DrainedKg, AddedKg      float64 // moved out of the transmission and pan, and into it
	SumpKg, PanKg           float64 // can still drain (film included); still in the pan
	CaddyKg, SupplyKg       float64 // fluid only
	SpilledKg, EmptiedKg    float64 // drained while no caddy stood there; carried away by EmptyCaddy
	FluidC, CaddyC, SupplyC float64
	EngineOn                bool
	DrainFlowKgS            float64 // out of the open pan; a pan being tipped is not in it
}

// Truth is the state at the end of the last Step.
func (c *Cart) Truth() Truth {
	return Truth{
		ElapsedS:  c.elapsed.Seconds(),
		DrainedKg: c.drainedKg, AddedKg: c.addedKg,
		SumpKg: c.bulkKg + c.filmKg, PanKg: c.panKg,
		CaddyKg: c.caddyKg, SupplyKg: c.supplyKg,
		SpilledKg: c.spilledKg, EmptiedKg: c.emptiedKg,
		FluidC: c.fluidC, CaddyC: c.caddyC, SupplyC: c.p.AmbientC,
		EngineOn: c.engine, DrainFlowKgS: c.drainKgS,
	}
}

// DrainedL is the drained mass as litres of f at a temperature in °C.
func (t Truth) DrainedL(f Fluid, celsius float64) float64 {
	return t.DrainedKg / f.DensityKgM3(celsius) * 1000
}

// AddedL is the added mass as litres of f at a temperature in °C.
func (t Truth) AddedL(f Fluid, celsius float64) float64 {
	return t.AddedKg / f.DensityKgM3(celsius) * 1000
}

// Conventions of weighing in air: OIML D 28:2004.
const (
	airKgM3    = 1.2
	weightKgM3 = 8000.0
)

// inAirKg is what a scale adjusted with weights of 8000 kg/m³ shows for a body of this mass and density.
func inAirKg(massKg, densityKgM3 float64) float64 {
	return massKg * (1 - airKgM3/densityKgM3) / (1 - airKgM3/weightKgM3)
}

// onCaddyScaleKg is the load of the caddy's place as a perfect scale would show it. Containers and objects count by
// their conventional mass, as anyone who weighed them would state it.
func (c *Cart) onCaddyScaleKg() float64 {
	load := c.kickKg * math.Exp(-c.kickAgeS/kickTauS) * math.Cos(2*math.Pi*kickHz*c.kickAgeS)
	if c.awayS == 0 {
		load += c.p.CaddyTareKg + c.objectKg + inAirKg(c.caddyKg, c.p.Used.DensityKgM3(c.caddyC))
	}
	return load
}

func (c *Cart) onSupplyScaleKg() float64 {
	return c.p.SupplyTareKg + inAirKg(c.supplyKg, c.p.Fresh.DensityKgM3(c.p.AmbientC))
}
