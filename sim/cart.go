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
	AmbientC    float64 // of air, caddy and supply, and of the caddy's heel at the start
	FluidC      float64 // of the fluid in the transmission at the start

	SumpKg       float64 // drains when the pan is opened; includes the film
	PanResidueKg float64 // stays in the pan until it is tipped
	RetainedKg   float64 // never drains (converter, cooler); only its heat matters

	SumpAreaM2           float64 // free surface of the sump
	HoleDiameterM        float64 // of a round hole with the area of the gap at the loosened pan
	DischargeCoefficient float64 // 0.6 for a sharp edge (textbook)
	FilmKg               float64 // part of SumpKg that clings to walls and passages
	FilmWidthM           float64 // total width of those walls
	FilmHeightM          float64 // height of those walls
	WeepKg, WeepTauS     float64 // fluid that hangs outside the sump; once the pan has been open it drips, even if the pan is closed again

	AirKgM3                   float64 // at the scales
	CaddyTareKg, CaddyHeelKg  float64 // the empty caddy, and the fluid already in it
	CaddyAreaM2               float64 // surface through which the fluid in the caddy cools
	SupplyKg, SupplyTareKg    float64 // fresh fluid, and its empty container
	BottleTareKg              float64 // of an empty bottle, if the supply comes in bottles; then SupplyKg is 0
	PourUnsteadyShare         float64 // standard deviation of the pouring rate, as a share of it
	PulseHz, PulseShare       float64 // of a pump that pulses: frequency, and amplitude as a share of the rate
	WarmC, WarmTauS, CoolTauS float64 // final temperature with the engine running, time constant of warming, and of cooling with the engine off
}

// DefaultParams is a transmission of medium size, warm from the road: 3.8 L (4 US quarts) drain through a dropped pan and half
// a litre stays in it. All figures are common practice, no source.
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

// Figures that are the same in every job. Common practice, no source.
const (
	maxStep   = 50 * time.Millisecond
	handS     = 0.25 // to put down or lift an object, and for a tap to open or close
	emptyingS = 20.0 // caddy off the scale
	swappingS = 8.0  // supply off the scale
	unsteadyS = 0.5  // time constant of the variation of a pouring rate
	kickHz    = 7.0
	kickTauS  = 0.2
	heatJKgK  = 2000.0 // specific heat of oil (textbook: 1900 … 2100)
	lossWM2K  = 12.0   // still air
	minKg     = 1e-6   // less fluid, or less flow per second, counts as none
)

// Cart is the truth: where every kilogram of fluid is and its temperature. It is pure; one goroutine at a time may use it.
// Fluid in flight is not modelled: in a steady stream its missing weight equals the force of the impact.
type Cart struct {
	p       Params
	rng     *rand.Rand
	elapsed time.Duration

	bulkKg, filmKg, panKg, weepKg, caddyKg, supplyKg     float64
	drainedKg, addedKg, spilledKg, emptiedKg             float64
	suppliedKg                                           float64 // brought to the supply, less what was carried away
	fluidC, caddyC                                       float64
	open, opened, engine                                 bool
	viscosityC, cachedViscosityM2S                       float64 // temperature of the cached viscosity, and the viscosity
	drainKgS, panKgS, pourKgS, pourWantKgS, unsteadiness float64
	refillKgS, refillToKg                                float64 // 0: until it is stopped
	onCaddy, onSupply                                    object
	lean                                                 lean
	panDripS                                             float64 // time constant of the pan lying on the caddy; 0 when none lies there
	awayS, supplyAwayS                                   float64 // until the caddy or the supply is back; 0 while it is in place
	kickKg, kickAgeS                                     float64
	kicks                                                int
	pulsePhase                                           float64
	bottles                                              bottles
	dipC                                                 map[ProbeSite]float64 // of probes that are elsewhere
	overflowKg, overflowedKg                             float64               // still to run over, and what has
}

// NewCart starts a job: pan closed, engine off, nothing flowing.
func NewCart(p Params) *Cart {
	film := math.Min(p.FilmKg, p.SumpKg)
	return &Cart{
		p: p, rng: rand.New(rand.NewPCG(p.Seed, 0)),
		bulkKg: p.SumpKg - film, filmKg: film, panKg: p.PanResidueKg, weepKg: p.WeepKg,
		caddyKg: p.CaddyHeelKg, supplyKg: p.SupplyKg,
		fluidC: p.FluidC, caddyC: p.AmbientC,
	}
}

// OpenDrain opens the pan: a gush, then drips.
func (c *Cart) OpenDrain() { c.open, c.opened = true, true }

// CloseDrain closes the pan.
func (c *Cart) CloseDrain() { c.open = false }

// TipPan pours the content of the pan into the caddy at a constant rate within the given time.
func (c *Cart) TipPan(over time.Duration) {
	c.panKgS = c.panKg / math.Max(over.Seconds(), maxStep.Seconds())
}

// StopTip holds the pan level again, with what is left in it.
func (c *Cart) StopTip() { c.panKgS = 0 }

// StartPour pours fluid from the supply into the transmission until StopPour or until the supply is empty.
func (c *Cart) StartPour(kgPerS float64) { c.pourWantKgS = math.Max(0, kgPerS) }

// StopPour closes the tap; a little fluid still runs while it closes.
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
	parts := int((dt + maxStep - 1) / maxStep)
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
	capacity := math.Max(c.caddyKg, minKg) * heatJKgK
	c.caddyC = approach(c.caddyC, c.p.AmbientC, dtS, capacity/(lossWM2K*c.p.CaddyAreaM2))
	c.drain(dtS)
	c.weep(dtS)
	c.tip(dtS)
	c.dripPan(dtS)
	c.pour(dtS)
	c.refill(dtS)
	c.runOver(dtS)
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

// viscosityM2S is the viscosity of the used fluid in m²/s. It is cached within a hundredth of a degree, because it is
// expensive to compute and changes by 0.04 % per hundredth.
func (c *Cart) viscosityM2S() float64 {
	if c.cachedViscosityM2S == 0 || math.Abs(c.fluidC-c.viscosityC) > 0.01 {
		c.viscosityC, c.cachedViscosityM2S = c.fluidC, c.p.Used.ViscosityMm2S(c.fluidC)*1e-6
	}
	return c.cachedViscosityM2S
}

func (c *Cart) weep(dtS float64) {
	if !c.opened || c.weepKg < minKg {
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

// leave moves fluid from the vehicle to the caddy, or to the floor while the caddy is away.
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
	// An Ornstein-Uhlenbeck process: neither a hand nor a pump keeps a constant rate.
	keep := math.Exp(-dtS / unsteadyS)
	c.unsteadiness = c.unsteadiness*keep + c.p.PourUnsteadyShare*math.Sqrt(1-keep*keep)*c.rng.NormFloat64()
	c.pourKgS = approach(c.pourKgS, c.pourWantKgS, dtS, handS/3)
	if c.pourWantKgS == 0 && c.pourKgS < minKg {
		c.pourKgS = 0
	}
	c.pulsePhase += 2 * math.Pi * c.p.PulseHz * dtS
	pulse := 1 + c.p.PulseShare*math.Sin(c.pulsePhase)
	in := math.Min(c.PourableKg(), c.pourKgS*pulse*math.Max(0, 1+c.unsteadiness)*dtS)
	if in <= 0 || c.supplyAwayS > 0 {
		return
	}
	c.fluidC = mixed(c.fluidC, c.p.RetainedKg+c.bulkKg+c.filmKg, c.p.AmbientC, in)
	c.supplyKg -= in
	c.bottles.handKg = math.Max(0, c.bottles.handKg-in)
	c.addedKg += in
	// Fresh fluid runs over the same walls and wets them before any of it reaches the pan.
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

// mixed is the temperature of two mixed masses with the same specific heat.
func mixed(aC, aKg, bC, bKg float64) float64 { return (aC*aKg + bC*bKg) / (aKg + bKg) }
