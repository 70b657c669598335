package sim

import (
	"math"
	"testing"
)

// place is a perfect scale in some surroundings, with 10 kg of load.
func place(p Surroundings, seed uint64) (*Scale, *Cart) {
	params := ideal()
	params.ResolutionKg, params.Surroundings = 1e-9, p
	return NewScale(params, seed), stand(10)
}

// deviationKg is the standard deviation of n readings from the load.
func deviationKg(s *Scale, c *Cart, n int) float64 {
	load, squares := c.LoadKg(OnCaddy), 0.0
	for _, sample := range run(s, c, n) {
		squares += (sample.FineKg - load) * (sample.FineKg - load) / float64(n)
	}
	return math.Sqrt(squares)
}

func TestWindHasItsStandardDeviation(t *testing.T) {
	near(t, "wind of 20 g, sd in kg", typicalKg(Surroundings{WindKg: 0.02}), 0.01, 0.0005)
	near(t, "a quiet place, kg", typicalKg(Surroundings{}), 0, 1e-12)
	// An eighth of the time or so, with an amplitude of 0.55 of the largest on average.
	for name, p := range map[string]Surroundings{"bursts": {BurstKg: 0.1}, "lift": {LiftKg: 0.1}} {
		if kg := typicalKg(p); !(kg > 0.005 && kg < 0.05) {
			t.Errorf("%s of 100 g: sd %g kg", name, kg)
		}
	}
}

// typicalKg is the same over ten scales of half an hour each.
func typicalKg(p Surroundings) float64 {
	squares := 0.0
	for seed := range uint64(10) {
		s, c := place(p, seed)
		squares += math.Pow(deviationKg(s, c, 18000), 2) / 10
	}
	return math.Sqrt(squares)
}

func TestAKickMovesTheCart(t *testing.T) {
	s, c := place(Surroundings{KnockKg: 0.02}, 1)
	near(t, "before, kg", deviationKg(s, c, 100), 0, 1e-12)
	c.Kick(1)
	run(s, c, 100)
	first := deviationKg(s, c, 100)
	if first == 0 || first > 0.1 {
		t.Errorf("shift of %g kg", first)
	}
	near(t, "it stays, kg", deviationKg(s, c, 100), first, 1e-12)
}

// A load that is set down elsewhere is misread by another share; one that grows slowly is not.
func TestLoadOffTheCentre(t *testing.T) {
	s, c := place(Surroundings{OffCentreShare: 0.001}, 1)
	share := func() float64 { return run(s, c, 1)[0].FineKg/c.LoadKg(OnCaddy) - 1 }
	first := share()
	c.caddyKg += 0.01
	near(t, "10 g more, share", share(), first, 1e-12)
	c.caddyKg += 1
	if second := share(); second == first || math.Abs(second) > 0.005 {
		t.Errorf("1 kg more: share %g after %g", second, first)
	}
}

// A disturbed scale has the noise of an undisturbed one.
func TestSurroundingsLeaveTheNoise(t *testing.T) {
	readings := func(p Surroundings) []Sample {
		s, c := place(p, 7)
		s.p.NoiseKg = 0.01
		return run(s, c, 50)
	}
	quiet, shifted := readings(Surroundings{}), readings(Surroundings{OffCentreShare: 0.001})
	near(t, "difference of the noise, kg", (shifted[49].FineKg-shifted[0].FineKg)-(quiet[49].FineKg-quiet[0].FineKg), 0, 1e-12)
}
