package study

import (
	"math"
	"math/rand/v2"
)

// manual is the result of the same job without bayfill: the drained fluid is read
// in a jug at the temperature that it then has, and the fresh fluid is counted in
// bottles. It returns litres as a technician would note them.
func manual(d *Distribution, rng *rand.Rand, warmDrainedL, addedL float64) (drained, added float64) {
	m := &d.Manual
	inJug := math.Max(0, warmDrainedL-m.ClingsL.draw(rng))
	read := inJug*(1+within(rng, m.JugTolerancePct/100)) + m.ReadingL*rng.NormFloat64()
	drained = m.JugStepL * math.Round(read/m.JugStepL)

	sizeL := m.BottleL.draw(rng)
	filledL := sizeL * (1 + within(rng, m.LabelPct/100)) // bottles of one filling have the same error
	for poured := 0.0; ; {
		holds := filledL - m.BottleClingsL.draw(rng)
		if last := addedL - poured; last < holds {
			return drained, added + last + within(rng, m.SightShare*sizeL)
		}
		poured += holds
		added += sizeL
	}
}
