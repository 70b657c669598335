package sim

import (
	"math/rand/v2"
	"time"
)

// ProbeSite is where a temperature probe sits.
type ProbeSite int

const (
	InTransmission ProbeSite = iota
	InCaddy
)

// ProbeParams describe a temperature probe.
type ProbeParams struct {
	Where       ProbeSite
	TauS        float64 // time constant of its lag
	OffsetC     float64 // by which it reads too high
	NoiseC      float64 // standard deviation of one reading before rounding
	ResolutionC float64
	ReadsPerS   float64
}

// DefaultProbeParams is a sheathed probe in the transmission (common practice, no source).
func DefaultProbeParams() ProbeParams {
	return ProbeParams{Where: InTransmission, TauS: 8, NoiseC: 0.03, ResolutionC: 0.1, ReadsPerS: 2}
}

// Probe follows a temperature of the cart as a first-order lag.
type Probe struct {
	p       ProbeParams
	rng     *rand.Rand
	placed  bool
	celsius float64
}

// NewProbe makes a probe whose noise follows from the seed. It starts at the first temperature of its site.
func NewProbe(p ProbeParams, seed uint64) *Probe {
	return &Probe{p: p, rng: rand.New(rand.NewPCG(seed, 2))}
}

// Advance lets dt pass at the present temperature of its site.
func (p *Probe) Advance(c *Cart, dt time.Duration) {
	site := c.fluidC
	if p.p.Where == InCaddy {
		site = c.caddyC
	}
	if elsewhere, is := c.dipC[p.p.Where]; is {
		site = elsewhere
	}
	if !p.placed || p.p.TauS <= 0 {
		p.placed, p.celsius = true, site
	}
	if p.p.TauS > 0 {
		p.celsius = approach(p.celsius, site, dt.Seconds(), p.p.TauS)
	}
}

// Read takes one reading.
func (p *Probe) Read() Sample {
	c := p.celsius + p.p.OffsetC + p.p.NoiseC*p.rng.NormFloat64()
	return Sample{IsTemp: true, Celsius: roundTo(c, p.p.ResolutionC), Stable: true}
}
