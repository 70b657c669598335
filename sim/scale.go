package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// ScaleLoad says which containers stand on a scale.
type ScaleLoad int

const (
	OnCaddy ScaleLoad = iota
	OnSupply
	OnBoth
)

// ScaleParams describe a scale and its errors. Shares are of the load: 0.001 is 0.1 %.
type ScaleParams struct {
	What           ScaleLoad
	ResolutionKg   float64 // display interval d
	CapacityKg     float64
	ReadsPerS      float64
	NoiseKg        float64 // standard deviation of one reading before rounding
	GainError      float64 // share by which it reads too high
	ZeroOffsetKg   float64 // what it shows without a load
	CreepShare     float64 // share that it gains under a lasting load, in the end
	CreepTauS      float64
	DriftKgS       float64 // drift of its zero
	RepeatKg       float64 // standard deviation of the rest position under one load
	Filter         Filter
	FilterS        float64 // span of the filter; 0 is none
	NaturalHz      float64 // of platform and load cell, undamped; 0 is a rigid scale
	OvershootShare float64 // of a sudden load; below 1
	VibrationKg    float64 // amplitude while the engine runs
	Surroundings
}

// DefaultScaleParams is a bench scale of 30 kg × 5 g at 10 readings a second (common practice, no source).
func DefaultScaleParams() ScaleParams {
	return ScaleParams{
		What: OnCaddy, ResolutionKg: 0.005, CapacityKg: 30, ReadsPerS: 10, NoiseKg: 0.0015,
		CreepShare: 1e-4, CreepTauS: 600, NaturalHz: 4, OvershootShare: 0.15, VibrationKg: 0.004,
	}
}

// Scale shows weight in air, adjusted with weights of 8000 kg/m³ (OIML D 28:2004), through its own dynamics and errors.
type Scale struct {
	p         ScaleParams
	rng       *rand.Rand
	loaded    bool // has seen a cart
	engine    bool
	shownKg   float64 // position of the platform
	speedKgS  float64
	creepKg   float64
	driftKg   float64
	loadKg    float64 // at the last Advance
	restKg    float64 // error of the rest position
	place     surroundings
	filter    filter
	intervals []int64 // readings of the last half second in d, oldest first
}

// NewScale makes a scale whose noise follows from the seed. It starts at rest under its first load.
func NewScale(p ScaleParams, seed uint64) *Scale {
	span := max(1, int(math.Round(p.FilterS*p.ReadsPerS)))
	return &Scale{
		p: p, rng: rand.New(rand.NewPCG(seed, 1)), place: newSurroundings(p.Surroundings, seed),
		filter: filter{kind: p.Filter, last: make([]float64, span), holdKg: 2 * p.ResolutionKg},
	}
}

// Advance lets dt pass under the present load of the cart.
func (s *Scale) Advance(c *Cart, dt time.Duration) {
	load := c.LoadKg(s.p.What)
	if !s.loaded {
		s.loaded, s.shownKg = true, load
	}
	s.engine = c.engine
	s.swing(load, dt.Seconds())
	s.place.advance(load, c.kicks, dt.Seconds())
	if s.p.CreepTauS > 0 {
		s.creepKg = approach(s.creepKg, s.p.CreepShare*load, dt.Seconds(), s.p.CreepTauS)
	}
	s.driftKg += s.p.DriftKgS * dt.Seconds()
	if moved := math.Abs(load - s.loadKg); s.p.RepeatKg > 0 && moved > 0 {
		// Where friction stops the platform depends on how it got there. Load that comes
		// and goes makes it forget.
		keep := math.Exp(-moved / restMemoryKg)
		s.restKg = keep*s.restKg + math.Sqrt(1-keep*keep)*s.p.RepeatKg*s.rng.NormFloat64()
	}
	s.loadKg = load
}

// restMemoryKg is the load change after which e⁻¹ of the old rest position remains. Invented.
const restMemoryKg = 0.5

// swing moves the platform by the exact response of a damped oscillator to a load that is constant during dtS.
func (s *Scale) swing(load, dtS float64) {
	if s.p.NaturalHz <= 0 {
		s.shownKg = load
		return
	}
	damping := 0.99 // without overshoot: almost critical, so that one formula serves
	if s.p.OvershootShare > 0 {
		l := math.Log(s.p.OvershootShare)
		damping = -l / math.Hypot(math.Pi, l)
	}
	natural := 2 * math.Pi * s.p.NaturalHz
	decay, damped := damping*natural, natural*math.Sqrt(1-damping*damping)
	off := s.shownKg - load
	sine := (s.speedKgS + decay*off) / damped
	sin, cos := math.Sincos(damped * dtS)
	fade := math.Exp(-decay * dtS)
	moved := fade * (off*cos + sine*sin)
	s.speedKgS = fade*damped*(sine*cos-off*sin) - decay*moved
	s.shownKg = load + moved
}

// Read takes one reading. Call it ReadsPerS times a second, because the motion flag compares the readings of half a second.
//
// Stable: all of them are within ±1 d of this one (NIST Handbook 44, 2.20, S.2.5; not checked against the text). Over and
// under capacity: above Max + 9 d and below −20 d (OIML R 76-1:2006, 4.2.3). Centre of zero: within a quarter d.
func (s *Scale) Read() Sample {
	kg := s.shownKg*(1+s.p.GainError) + s.p.ZeroOffsetKg + s.creepKg + s.driftKg + s.restKg + s.p.NoiseKg*s.rng.NormFloat64()
	phase := s.rng.Float64() // an engine vibrates faster than the scale reads, so each reading catches another phase
	if s.engine {
		kg += s.p.VibrationKg * math.Sin(2*math.Pi*phase)
	}
	kg = s.filter.next(kg + s.place.kg())
	d := s.p.ResolutionKg
	now := int64(math.Round(kg / d))
	stable := len(s.intervals) > 0
	for _, before := range s.intervals {
		stable = stable && max(before, now)-min(before, now) <= 1
	}
	s.remember(now)
	return Sample{
		Kg: float64(now) * d, FineKg: kg, ResolutionKg: d, Stable: stable,
		Over: kg > s.p.CapacityKg+9*d, Under: kg < -20*d, CentreOfZero: math.Abs(kg) <= d/4,
	}
}

func (s *Scale) remember(now int64) {
	s.intervals = append(s.intervals, now)
	if keep := max(1, int(math.Ceil(s.p.ReadsPerS/2))); len(s.intervals) > keep {
		s.intervals = s.intervals[1:]
	}
}
