package sim

import (
	"math"
	"math/rand/v2"
)

// Surroundings are what the place does to a scale, as kg shown. The zero value is a quiet place and a scale that is treated
// well. How wind, lift and hands move a cart is common practice without a source; the sizes are the caller's.
type Surroundings struct {
	WindKg         float64 // slow wind: twice its standard deviation, with periods of 1 to 5 s
	BurstKg        float64 // largest amplitude of bursts of draught; a burst of 2 to 15 s comes about once a minute
	LiftKg         float64 // largest amplitude of the shaking by a lift; it shakes 8 s about every 90 s, at 1 to 2 Hz
	KnockKg        float64 // standard deviation of the shift that stays after a kick, because the cart stands differently
	OffCentreShare float64 // standard deviation of the share by which a load away from the centre is misread
}

// gust is one disturbance that comes and goes: an amplitude from one time to another.
type gust struct{ fromS, toS, kg, hz float64 }

// surroundings is the state of Surroundings. It has random numbers of its own: a disturbed scale has the same noise and the
// same errors as an undisturbed one.
type surroundings struct {
	p           Surroundings
	rng         *rand.Rand
	elapsedS    float64
	wind        [5]struct{ kg, hz, phase float64 }
	burst, lift gust
	kicks       int // seen so far
	shiftKg     float64
	loadKg      float64
	offCentre   float64 // share of the present load
}

func newSurroundings(p Surroundings, seed uint64) surroundings {
	s := surroundings{p: p, rng: rand.New(rand.NewPCG(seed, 2))}
	s.setWind(p.WindKg)
	for i := range s.wind {
		w := &s.wind[i]
		w.hz, w.phase = 0.2+0.8*s.rng.Float64(), 2*math.Pi*s.rng.Float64()
	}
	return s
}

// setWind changes the slow wind.
func (s *surroundings) setWind(kg float64) {
	for i := range s.wind {
		s.wind[i].kg = kg / 2 * math.Sqrt(2/float64(len(s.wind)))
	}
}

// advance lets dtS pass under a load, on a cart that was kicked that many times.
func (s *surroundings) advance(loadKg float64, kicks int, dtS float64) {
	const suddenKg = 0.03 // something was set down or taken away
	if math.Abs(loadKg-s.loadKg) > suddenKg {
		s.offCentre = s.p.OffCentreShare * s.rng.NormFloat64()
	}
	s.loadKg = loadKg
	for ; s.kicks < kicks; s.kicks++ {
		s.shiftKg += s.p.KnockKg * s.rng.NormFloat64()
	}
	s.elapsedS += dtS
	if s.elapsedS > s.burst.toS {
		from := s.elapsedS + 60*s.rng.ExpFloat64()
		s.burst = gust{from, from + 2 + 13*s.rng.Float64(), s.p.BurstKg * (0.1 + 0.9*s.rng.Float64()), 0}
	}
	if s.elapsedS > s.lift.toS {
		from := s.elapsedS + 90*s.rng.ExpFloat64()
		s.lift = gust{from, from + 8, s.p.LiftKg * (0.3 + 0.7*s.rng.Float64()), 1 + s.rng.Float64()}
	}
}

// kg is the error that the place adds to a reading now.
func (s *surroundings) kg() float64 {
	kg := s.shiftKg + s.offCentre*s.loadKg
	for _, w := range s.wind {
		kg += w.kg * math.Sin(2*math.Pi*w.hz*s.elapsedS+w.phase)
	}
	if s.elapsedS >= s.burst.fromS {
		kg += s.burst.kg * math.Sin(2*math.Pi*s.rng.Float64()) // faster than the scale reads
	}
	if s.elapsedS >= s.lift.fromS {
		kg += s.lift.kg * math.Sin(2*math.Pi*s.lift.hz*s.elapsedS)
	}
	return kg
}
