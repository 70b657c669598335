package fillcalc

import (
	"math"
	"math/rand/v2"
	"testing"
)

// alone is a scale whose readings are fed one by one, ten a second.
type alone struct {
	Scale
	atNs int64
}

func newAlone(resolutionKg float64) *alone {
	return &alone{Scale: Scale{Setup: ScaleSetup{Sensor: "caddy", Load: CaddyLoad, ResolutionKg: resolutionKg, MaxFlowKgS: 0.15}}}
}

// shows takes one reading as the display shows it.
func (a *alone) shows(kg float64) {
	a.atNs += 100e6
	if !a.take(a.atNs, math.Round(kg/a.Setup.ResolutionKg)*a.Setup.ResolutionKg) {
		return
	}
	if a.Open {
		a.watch(1)
	}
	a.weigh()
}

// white is noise of which each reading knows nothing of the one before.
func white(sdKg float64, rng *rand.Rand) func() float64 {
	return func() float64 { return sdKg * rng.NormFloat64() }
}

// gusty is noise that forgets itself within some seconds: of the first order, at ten
// readings a second (textbook).
func gusty(sdKg, forgetsS float64, rng *rand.Rand) func() float64 {
	keeps := math.Exp(-0.1 / forgetsS)
	kg := sdKg * rng.NormFloat64()
	return func() float64 {
		kg = keeps*kg + sdKg*math.Sqrt(1-keeps*keeps)*rng.NormFloat64()
		return kg
	}
}

// swinging is wind with periods of one to five seconds (common practice, no source; the
// same as in package sim).
func swinging(sdKg float64, rng *rand.Rand) func() float64 {
	var hz, phase [5]float64
	for i := range hz {
		hz[i], phase[i] = 0.2+0.8*rng.Float64(), 2*math.Pi*rng.Float64()
	}
	t := 0.0
	return func() (kg float64) {
		t += 0.1
		for i := range hz {
			kg += sdKg * math.Sqrt(2.0/5) * math.Sin(2*math.Pi*hz[i]*t+phase[i])
		}
		return kg
	}
}

// Of the weights of rests, about 95 % lie within twice their standard uncertainty of the
// truth, whether the noise is white or slow and whether the rest is short or long. The
// scatter of eight parts about a line has six degrees of freedom, with which 2 u hold 91 %
// (GUM G.3, Student's t); of 200 rests that is 85 % or more, by three standard deviations.
func TestWeightOfARestIsHonest(t *testing.T) {
	const seeds, trueKg = 200, 5.0
	for _, c := range []struct {
		name         string
		resolutionKg float64
		noise        func(rng *rand.Rand) func() float64
		widestKg     float64 // mean u after half a minute, at most
	}{
		{"white", 0.001, func(rng *rand.Rand) func() float64 { return white(0.003, rng) }, 0.0012},
		{"white, coarse display", 0.005, func(rng *rand.Rand) func() float64 { return white(0.003, rng) }, 0.0025},
		{"less than the display shows", 0.005, func(rng *rand.Rand) func() float64 { return white(0.0005, rng) }, 0.0025},
		{"gusts of a second", 0.002, func(rng *rand.Rand) func() float64 { return gusty(0.010, 1, rng) }, 0.006},
		{"swinging wind", 0.002, func(rng *rand.Rand) func() float64 { return swinging(0.0125, rng) }, 0.008},
		{"swinging wind, coarse display", 0.005, func(rng *rand.Rand) func() float64 { return swinging(0.020, rng) }, 0.012},
	} {
		for _, lasts := range []float64{3, 5, 10, 30} {
			rests, within, meanU := 0, 0, 0.0
			for seed := range uint64(seeds) {
				rng := rand.New(rand.NewPCG(seed, 5))
				a, off, noise := newAlone(c.resolutionKg), rng.Float64()*c.resolutionKg, c.noise(rng)
				for range 400 { // it knows the noise when the rest begins
					a.shows(trueKg + off + noise())
				}
				a.From = a.back(0).S
				for range int(10 * lasts) {
					a.shows(trueKg + off + noise())
				}
				if !a.Rest.Now {
					continue
				}
				rests++
				u := math.Sqrt(a.Rest.U2)
				meanU += u / seeds
				if math.Abs(a.Rest.Kg-trueKg-off) <= 2*u {
					within++
				}
			}
			if rests < seeds*95/100 {
				t.Errorf("%s, %g s: only %d of %d rest", c.name, lasts, rests, seeds)
			}
			if share := float64(within) / float64(rests); share < 0.85 {
				t.Errorf("%s, %g s: %.0f %% lie within 2 u", c.name, lasts, 100*share)
			}
			if lasts == 30 && meanU > c.widestKg {
				t.Errorf("%s: u of %.1f g after half a minute", c.name, 1000*meanU)
			}
		}
	}
}

// Gusts that last for as long as a part of the rest show in how alike neighbouring parts are.
func TestWeightOfARestInSlowGusts(t *testing.T) {
	const seeds = 600
	within := 0
	for seed := range uint64(seeds) {
		a, noise := newAlone(0.002), gusty(0.010, 2, rand.New(rand.NewPCG(seed, 5)))
		for range 500 {
			a.shows(5 + noise())
		}
		if math.Abs(a.Rest.Kg-5) <= 2*math.Sqrt(a.Rest.U2) {
			within++
		}
	}
	if within < seeds*85/100 {
		t.Errorf("%d of %d weights lie within 2 u", within, seeds)
	}
}

// A longer rest is known better.
func TestRestBecomesBetter(t *testing.T) {
	const seeds = 20
	var u [4]float64 // after 4, 8, 16 and 32 s
	for seed := range uint64(seeds) {
		a, noise := newAlone(0.001), white(0.004, rand.New(rand.NewPCG(seed, 5)))
		for i := range 320 {
			a.shows(5 + noise())
			for k, n := range []int{40, 80, 160, 320} {
				if i+1 == n {
					u[k] += math.Sqrt(a.Rest.U2) / seeds
				}
			}
		}
		if a.Rest.N != 1 {
			t.Errorf("one rest has the number %d", a.Rest.N)
		}
	}
	if !(u[3] < u[0]/1.5) || !(u[2] < u[1]) {
		t.Errorf("u of %.5f kg", u)
	}
}

// A drip of 1 g/s leaves the scale at rest: its weight is that at the end.
func TestRestOfADrip(t *testing.T) {
	for _, resolutionKg := range []float64{0.001, 0.002, 0.005} {
		a, noise := newAlone(resolutionKg), white(0.001, rand.New(rand.NewPCG(4, 5)))
		for range 300 {
			a.shows(5 + noise())
		}
		kg := 5.0
		for range 300 {
			kg += 0.001 / 10
			a.shows(kg + noise())
		}
		if !a.Rest.Now {
			t.Errorf("display step of %g kg: it does not rest", resolutionKg)
		}
		near(t, "weight at the end", a.Rest.Kg, kg, max(2*math.Sqrt(a.Rest.U2), 0.002))
	}
}

// A stream is no rest, and the rest after it is another one.
func TestStreamIsNoRest(t *testing.T) {
	a, noise := newAlone(0.005), white(0.001, rand.New(rand.NewPCG(6, 5)))
	for range 100 {
		a.shows(5 + noise())
	}
	first := a.Rest
	for i := range 100 {
		a.shows(5 + 0.004*float64(i) + noise()) // 40 g/s
	}
	if a.Rest.Now {
		t.Errorf("it rests while fluid runs: %+v", a.Rest)
	}
	for range 100 {
		a.shows(5.4 + noise())
	}
	if !a.Rest.Now || a.Rest.N != first.N+1 {
		t.Errorf("rest %+v after %+v", a.Rest, first)
	}
	near(t, "weight", a.Rest.Kg, 5.4, 2*math.Sqrt(a.Rest.U2)+0.0025)
	near(t, "the rest before", a.Rests[0].Kg, 5, 2*math.Sqrt(a.Rests[0].U2)+0.0025)
}
