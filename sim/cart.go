package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// Params describe one job on one vehicle. Start from [DefaultParams].
type Params struct {
	Seed        uint64
	Used, Fresh Fluid
	AmbientC    float64 // air, caddy, supply and the caddy's heel at the start
	FluidC      float64 // fluid in the transmission at the start

	SumpKg       float64 // drains when the pan is opened, film included
	PanResidueKg float64 // stays in the pan until it is tipped
	RetainedKg   float64 // never drains (converter, cooler); counts only as heat

	SumpAreaM2           float64 // free surface of the sump
	HoleDiameterM        float64 // round hole as wide as the gap of the cracked pan
	DischargeCoefficient float64 // 0.6 for a sharp edge (textbook)
	FilmKg               float64 // share of SumpKg that clings to walls and passages
	FilmWidthM           float64 // total width of those walls
	FilmHeightM          float64 // and their height
	WeepKg, WeepTauS     float64 // hangs outside the sump; once the pan was open it drips, whether it is closed again or not

	AirKgM3                   float64 // at the scales
	CaddyTareKg, CaddyHeelKg  float64 // the empty caddy, and the fluid already in it
	CaddyAreaM2               float64 // surface through which the caddy's fluid cools
	SupplyKg, SupplyTareKg    float64 // fresh fluid, and its empty container
	PourUnsteadyShare         float64 // standard deviation of the pour's rate, as a share of it
	WarmC, WarmTauS, CoolTauS float64 // where a running engine takes the fluid, how fast, and how fast it cools when off
}

// DefaultParams is a medium transmission, warm from the road: 3.8 L (4 US quarts) through a dropped pan and half a litre
// left in it. All figures are common practice, no source.
func DefaultParams() Params {
	return Params{
		Seed:     1,
		Used:     Fluid{Name: "used transmission fluid", Density15KgM3: 855, Viscosity40: 30, Viscosity100: 6},
		Fresh:    Fluid{Name: "fresh transmission fluid", Density15KgM3: 848, Viscosity40: 35, Viscosity100: 7.2},
		AmbientC: 20, FluidC: 50,
		SumpKg: 3.2, PanResidueKg: 0.4, RetainedKg: 4.5,
		SumpAreaM2: 0.08, HoleDiameterM: 0.017, DischargeCoefficient: 0.6,
		FilmKg: 0.25, FilmWidthM: 20, FilmHeightM: 0.15,
		AirKgM3:     1.2,
		CaddyTareKg: 2.4, CaddyHeelKg: 0.8, CaddyAreaM2: 0.25,
		SupplyKg: 6, SupplyTareKg: 0.9, PourUnsteadyShare: 0.04,
		WarmC: 90, WarmTauS: 900, CoolTauS: 5400,
	}
}

// Figures of the shop that no job changes. Common practice, no source.
const (
	longestStep = 50 * time.Millisecond
	handS       = 0.25 // to lay a thing down or lift it, and for a tap to open or close
	emptyingS   = 20.0 // caddy off the scale
	swappingS   = 8.0  // supply off the scale
	unsteadyS   = 0.5  // a hand's rate wanders this fast
	kickHz      = 7.0
	kickTauS    = 0.2
	heatJKgK    = 2000.0 // specific heat of oil (textbook: 1900 … 2100)
	lossWM2K    = 12.0   // still air
	leastKg     = 1e-6   // less fluid than this, or per second, is none
)

// Cart is the truth: where every kilogram is and how warm. It is pure; one goroutine at a time may use it. Fluid in flight
// is not modelled apart: for a steady stream, what has not landed yet is just what the impact of the stream adds.
type Cart struct {
	p       Params
	rng     *rand.Rand
	elapsed time.Duration

	bulkKg, filmKg, panKg, weepKg, caddyKg, supplyKg float64
	drainedKg, addedKg, spilledKg, emptiedKg         float64
	suppliedKg                                       float64 // brought to the supply less what was carried away
	fluidC, caddyC                                   float64
	open, opened, engine                             bool
	thickC, thickM2S                                 float64 // temperature at which the viscosity was worked out, and the viscosity
	drainKgS, panKgS, pourKgS, pourWantKgS, waver    float64
	refillKgS                                        float64
	onCaddy, onSupply                                object
	lean                                             lean
	panDripS                                         float64 // time constant of the pan lying on the caddy; 0 when none lies there
	awayS, supplyAwayS                               float64 // until caddy or supply is back; 0 when it stands there
	kickKg, kickAgeS                                 float64
}

// NewCart puts the vehicle over the cart: pan closed, engine off, nothing flowing.
func NewCart(p Params) *Cart {
	film := math.Min(p.FilmKg, p.SumpKg)
	return &Cart{
		p: p, rng: rand.New(rand.NewPCG(p.Seed, 0)),
		bulkKg: p.SumpKg - film, filmKg: film, panKg: p.PanResidueKg, weepKg: p.WeepKg,
		caddyKg: p.CaddyHeelKg, supplyKg: p.SupplyKg,
		fluidC: p.FluidC, caddyC: p.AmbientC,
	}
}

// OpenDrain cracks the pan open: a gush, then drips.
func (c *Cart) OpenDrain() { c.open, c.opened = true, true }

// CloseDrain puts the pan back.
func (c *Cart) CloseDrain() { c.open = false }

// TipPan pours what is in the pan into the caddy, evenly over the time given.
func (c *Cart) TipPan(over time.Duration) {
	c.panKgS = c.panKg / math.Max(over.Seconds(), longestStep.Seconds())
}

// StartPour lets fluid run from the supply into the transmission until StopPour or until the supply is empty.
func (c *Cart) StartPour(kgPerS float64) { c.pourWantKgS = math.Max(0, kgPerS) }

// StopPour shuts the tap; a little still runs while it closes.
func (c *Cart) StopPour() { c.pourWantKgS = 0 }

// StartEngine warms the fluid and shakes the scales.
func (c *Cart) StartEngine() { c.engine = true }

// StopEngine lets the fluid cool towards ambient.
func (c *Cart) StopEngine() { c.engine = false }

// Step advances the truth by dt, in equal parts of at most 50 ms.
func (c *Cart) Step(dt time.Duration) {
	if dt <= 0 {
		return
	}
	parts := int((dt + longestStep - 1) / longestStep)
	for range parts {
		c.advance(dt.Seconds() / float64(parts))
	}
	c.elapsed += dt
}

func (c *Cart) advance(dtS float64) {
	if c.engine {
		c.fluidC = approach(c.fluidC, c.p.WarmC, dtS, c.p.WarmTauS)
	} else {
		c.fluidC = approach(c.fluidC, c.p.AmbientC, dtS, c.p.CoolTauS)
	}
	if c.awayS > 0 {
		c.emptiedKg += c.caddyKg
		c.caddyKg = 0
	}
	capacity := math.Max(c.caddyKg, leastKg) * heatJKgK
	c.caddyC = approach(c.caddyC, c.p.AmbientC, dtS, capacity/(lossWM2K*c.p.CaddyAreaM2))
	c.drain(dtS)
	c.weep(dtS)
	c.tip(dtS)
	c.dripPan(dtS)
	c.pour(dtS)
	c.refill(dtS)
	c.handle(dtS)
}

func (c *Cart) drain(dtS float64) {
	c.drainKgS = 0
	if !c.open {
		return
	}
	density := c.p.Used.DensityKgM3(c.fluidC)
	viscosityM2S := c.viscosityM2S()
	hole := math.Pi / 4 * c.p.HoleDiameterM * c.p.HoleDiameterM
	flowKgS := func(bulkKg float64) float64 {
		head := bulkKg / density / c.p.SumpAreaM2
		return density * hole * orificeMS(head, c.p.HoleDiameterM, c.p.DischargeCoefficient, viscosityM2S)
	}
	half := c.bulkKg - flowKgS(c.bulkKg)*dtS/2
	gush := math.Min(c.bulkKg, flowKgS(half)*dtS) // midpoint rule: exact enough at 50 ms
	film := filmAfter(dtS, c.filmKg, c.p.FilmWidthM, c.p.FilmHeightM, density, viscosityM2S)
	out := gush + c.filmKg - film
	c.bulkKg -= gush
	c.filmKg = film
	c.drainKgS = out / dtS
	c.leave(out)
}

// viscosityM2S is that of the used fluid, worked out again for every hundredth of a degree only: it is dear, and 0.04 % a
// hundredth.
func (c *Cart) viscosityM2S() float64 {
	if c.thickM2S == 0 || math.Abs(c.fluidC-c.thickC) > 0.01 {
		c.thickC, c.thickM2S = c.fluidC, c.p.Used.ViscosityMm2S(c.fluidC)*1e-6
	}
	return c.thickM2S
}

func (c *Cart) weep(dtS float64) {
	if !c.opened || c.weepKg < leastKg {
		return
	}
	left := approach(c.weepKg, 0, dtS, c.p.WeepTauS)
	c.leave(c.weepKg - left)
	c.weepKg = left
}

func (c *Cart) tip(dtS float64) {
	out := math.Min(c.panKg, c.panKgS*dtS)
	c.panKg -= out
	c.leave(out)
}

// leave takes fluid from the vehicle to the caddy, or to the floor when no caddy stands there.
func (c *Cart) leave(kg float64) {
	if kg <= 0 {
		return
	}
	c.drainedKg += kg
	if c.awayS > 0 {
		c.spilledKg += kg
		return
	}
	c.caddyC = mixed(c.caddyC, c.caddyKg, c.fluidC, kg)
	c.caddyKg += kg
}

func (c *Cart) pour(dtS float64) {
	// An Ornstein-Uhlenbeck walk: neither hand nor pump keeps its rate.
	keep := math.Exp(-dtS / unsteadyS)
	c.waver = c.waver*keep + c.p.PourUnsteadyShare*math.Sqrt(1-keep*keep)*c.rng.NormFloat64()
	c.pourKgS = approach(c.pourKgS, c.pourWantKgS, dtS, handS/3)
	if c.pourWantKgS == 0 && c.pourKgS < leastKg {
		c.pourKgS = 0
	}
	in := math.Min(c.supplyKg, c.pourKgS*math.Max(0, 1+c.waver)*dtS)
	if in <= 0 || c.supplyAwayS > 0 {
		return
	}
	c.fluidC = mixed(c.fluidC, c.p.RetainedKg+c.bulkKg+c.filmKg, c.p.AmbientC, in)
	c.supplyKg -= in
	c.addedKg += in
	// It runs over the same walls: they are wet again before anything reaches the pan.
	wet := math.Min(in, math.Max(0, c.p.FilmKg-c.filmKg))
	c.filmKg += wet
	c.bulkKg += in - wet
	if c.supplyKg == 0 {
		c.pourWantKgS, c.pourKgS = 0, 0
	}
}

// approach is a first-order lag: value moves towards target with time constant tauS.
func approach(value, target, dtS, tauS float64) float64 {
	return target + (value-target)*math.Exp(-dtS/tauS)
}

// mixed is the temperature of two masses of like specific heat.
func mixed(aC, aKg, bC, bKg float64) float64 { return (aC*aKg + bC*bKg) / (aKg + bKg) }
