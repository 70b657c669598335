package study

import (
	"math"
	"math/rand/v2"

	"bayfill/fillcalc"
	"bayfill/sim"
)

// referenceC is the temperature in °C of all volumes of this package.
const referenceC = 20

// maxFlowKgS is the default of the fold's limit for the flow of fluid.
const maxFlowKgS = 0.15

// drawn is one job: the truth, and the setup that the fold receives.
type drawn struct {
	cart       sim.Params
	scales     []sim.ScaleParams
	stableOnly []bool // of each scale: it sends no reading in motion
	setup      fillcalc.Setup
	spec       fillcalc.JobSpec
}

// draw draws a job. What only some worlds have is drawn from place, so that all worlds
// with the same fluids, vehicles and scales play the same jobs.
func draw(d *Distribution, rng, place *rand.Rand) drawn {
	var j drawn
	j.fluids(d, rng)
	j.vehicle(d, rng)
	j.instruments(d, rng)
	j.place(d, place)
	return j
}

func chance(rng *rand.Rand, share float64) bool { return rng.Float64() < share }

// fluids draws two data sheets, and fluids that deviate from them.
func (j *drawn) fluids(d *Distribution, rng *rand.Rand) {
	u := d.Fluid.DensityUPct / 100
	one := func(name string) (fillcalc.Fluid, sim.Fluid) {
		sheet := fillcalc.Fluid{Name: name, Model: fillcalc.Oil2004, DensityKgM3: d.Fluid.DensityKgM3.draw(rng), AtC: 15, DensityU: u}
		return sheet, sim.Fluid{
			Name: name, Density15KgM3: sheet.DensityKgM3 * (1 + u*rng.NormFloat64()),
			Viscosity40: d.Fluid.Viscosity40Mm2S.draw(rng), Viscosity100: d.Fluid.Viscosity100Mm2S.draw(rng),
		}
	}
	j.spec = fillcalc.JobSpec{ID: "study", LowC: 35, HighC: 45, FirstFill: 0.8}
	j.spec.Fresh, j.cart.Fresh = one("fresh")
	j.spec.Used, j.cart.Used = one("used")
	if chance(rng, d.Fluid.SameNameShare) {
		j.spec.Used, j.cart.Used = j.spec.Fresh, j.cart.Fresh
	}
}

func (j *drawn) vehicle(d *Distribution, rng *rand.Rand) {
	p := sim.DefaultParams()
	p.Used, p.Fresh = j.cart.Used, j.cart.Fresh
	p.Seed = rng.Uint64()
	p.AmbientC = d.Fluid.AmbientC.draw(rng)
	p.FluidC = math.Max(p.AmbientC, d.Fluid.UsedC.draw(rng))
	kgL := p.Used.Density15KgM3 / 1000
	p.SumpKg = d.Vehicle.SumpL.draw(rng) * kgL
	p.PanResidueKg = d.Vehicle.PanL.draw(rng) * kgL
	p.FilmKg = d.Vehicle.FilmL.draw(rng) * kgL
	p.WeepKg = d.Vehicle.WeepL.draw(rng) * kgL
	p.WeepTauS = d.Vehicle.WeepTauS.draw(rng)
	// Torricelli: the hole that gives this flow from the full sump.
	gushM3S := d.Vehicle.GushKgS.draw(rng) / kgL / 1000
	headM := (p.SumpKg - p.FilmKg) / kgL / 1000 / p.SumpAreaM2
	p.HoleDiameterM = math.Sqrt(4 / math.Pi * gushM3S / p.DischargeCoefficient / math.Sqrt(2*9.81*math.Max(headM, 0.001)))
	p.CaddyTareKg = d.Cart.CaddyKg.draw(rng)
	p.CaddyHeelKg = d.Cart.HeelKg.draw(rng)
	p.SupplyKg = d.Cart.SupplyKg.draw(rng)
	p.SupplyTareKg = d.Cart.ContainerKg.draw(rng)
	p.AirKgM3 = fillcalc.ConventionalAirKgM3 + d.Cart.AirUKgM3*rng.NormFloat64()
	p.PourUnsteadyShare = d.Work.PourUnsteadyShare.draw(rng)
	j.cart = p
}

func (j *drawn) instruments(d *Distribution, rng *rand.Rand) {
	type place struct {
		name string
		load fillcalc.Load
		on   sim.ScaleLoad
		kg   float64 // approximate load at the end
	}
	drained, supply := j.cart.SumpKg+j.cart.CaddyHeelKg+j.cart.CaddyTareKg, j.cart.SupplyKg+j.cart.SupplyTareKg
	places := []place{{"caddy", fillcalc.CaddyLoad, sim.OnCaddy, drained}, {"supply", fillcalc.SupplyLoad, sim.OnSupply, supply}}
	if chance(rng, d.Cart.OneScaleShare) {
		places = []place{{"both", fillcalc.BothLoad, sim.OnBoth, drained + supply}}
	}
	j.setup = fillcalc.Setup{ReferenceC: referenceC, AirKgM3: fillcalc.ConventionalAirKgM3}
	vibrationKg := d.Scale.VibrationG.draw(rng) / 1000
	for _, at := range places {
		stepKg := d.Scale.ResolutionG.draw(rng) / 1000
		j.scales = append(j.scales, sim.ScaleParams{
			What: at.on, ResolutionKg: stepKg, CapacityKg: 60, ReadsPerS: d.Scale.RateHz.draw(rng),
			NoiseKg:    d.Scale.NoiseD.draw(rng) * stepKg,
			FilterS:    d.Scale.FilterS.draw(rng),
			GainError:  d.Scale.GainUPct / 100 * rng.NormFloat64(),
			RepeatKg:   d.Scale.RepeatabilityD * stepKg,
			CreepShare: within(rng, d.Scale.CreepD*stepKg) / at.kg, CreepTauS: 600,
			DriftKgS:       within(rng, d.Scale.DriftD*stepKg) / 1800, // half an hour is a usual job
			NaturalHz:      d.Scale.NaturalHz.draw(rng),
			OvershootShare: d.Scale.OvershootShare.draw(rng),
			VibrationKg:    vibrationKg,
		})
		j.setup.Scales = append(j.setup.Scales, fillcalc.ScaleSetup{
			Sensor: at.name, Load: at.load, ResolutionKg: stepKg, RepeatabilityKg: d.Scale.RepeatabilityD * stepKg,
			GainU: d.Scale.GainUPct / 100, MaxFlowKgS: maxFlowKgS,
		})
	}
}

// place draws what the place and the make of the indicators add.
func (j *drawn) place(d *Distribution, rng *rand.Rand) {
	if chance(rng, d.Cart.BottlesShare) {
		j.cart.SupplyKg, j.cart.BottleTareKg = 0, d.Cart.BottleTareKg.draw(rng)
		j.spec.BottleL = d.Cart.BottleL
	}
	if j.cart.SupplyKg > 0 && j.cart.SupplyKg < 1 { // single bottles stand there
		j.spec.BottleL = d.Cart.BottleL
	}
	if chance(rng, d.Work.OverflowShare) {
		j.spec.Check = fillcalc.ByOverflow
	}
	j.cart.PulseHz, j.cart.PulseShare = d.Work.PulseHz.draw(rng), d.Work.PulseShare
	for i := range j.scales {
		s := &j.scales[i]
		s.GainError += within(rng, d.Scale.MovedPct/100)
		switch share := rng.Float64(); {
		case share < d.Scale.LagShare:
			s.Filter = sim.Lag
		case share < d.Scale.LagShare+d.Scale.MedianShare:
			s.Filter = sim.Median
		case share < d.Scale.LagShare+d.Scale.MedianShare+d.Scale.HoldShare:
			s.Filter = sim.Hold
		}
		j.stableOnly = append(j.stableOnly, chance(rng, d.Scale.StableOnly))
		around := &d.Surroundings
		s.Surroundings = sim.Surroundings{
			WindKg: around.WindG / 1000, BurstKg: around.BurstG / 1000, LiftKg: around.LiftG / 1000,
			KnockKg: around.KnockG / 1000, OffCentreShare: around.OffCentrePct / 100,
		}
	}
}

// within draws a value from -limit to limit, all equally likely.
func within(rng *rand.Rand, limit float64) float64 { return limit * (2*rng.Float64() - 1) }
