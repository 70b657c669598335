package fillcalc

import (
	"fmt"
	"math"
)

// Bottle is one bottle of fresh fluid that was poured without being weighed.
type Bottle struct {
	SizeL        float64 // as labelled, at 20 °C
	Share        float64 // how much of it went in: 1 when it was emptied
	TolerancePct float64 // half-width in percent; 0 means the tolerable deficiency
}

const (
	minBottleL = 0.05
	maxBottleL = 250 // a drum
)

// BottlesAdded returns the volume poured, in litres at the labels' temperature,
// and its standard uncertainty in litres. A label's tolerance is a rectangular
// distribution (GUM 4.3.7). Bottles of one size are assumed to come from one
// filling batch, so that all are off by the same share. The share of a partly
// used bottle is read by eye, independently for each. What clings to an emptied
// bottle is covered by the tolerance. The error names the bottle and its field.
func BottlesAdded(bottles []Bottle) (litres, uL float64, err error) {
	var parts []float64
	for i, b := range bottles {
		for _, f := range []struct {
			name                   string
			value, lowest, highest float64
		}{
			{"size_l", b.SizeL, minBottleL, maxBottleL}, {"share", b.Share, 0, 1}, {"tolerance_pct", b.TolerancePct, 0, 20},
		} {
			if err := within(fmt.Sprintf("bottles[%d].%s", i, f.name), f.value, f.lowest, f.highest); err != nil {
				return 0, 0, err
			}
		}
		litres += float64(b.SizeL * b.Share)
		if 0 < b.Share && b.Share < 1 {
			parts = append(parts, byEyeShare/math.Sqrt(3)*b.SizeL)
		}
	}
	for i, b := range bottles {
		batchL, counted := 0.0, false
		for j, other := range bottles {
			if other.SizeL != b.SizeL {
				continue
			}
			counted = counted || j < i
			batchL += float64(b.SizeL * other.Share * tolerancePct(other.TolerancePct, b.SizeL) / 100)
		}
		if !counted {
			parts = append(parts, batchL/math.Sqrt(3))
		}
	}
	return litres, rootSumSquares(parts...), nil
}

// tolerancePct returns the half-width of a label's tolerance in percent: the
// given one, or if that is 0, the deficiency that OIML R 87 tolerates for a
// package of this size (from memory).
func tolerancePct(givenPct, sizeL float64) float64 {
	switch {
	case givenPct > 0:
		return givenPct
	case sizeL < 0.5:
		return 3
	case sizeL < 1:
		return 1.5 / sizeL // 15 mL
	case sizeL < 10:
		return 1.5
	case sizeL < 15:
		return 15 / sizeL // 150 mL
	}
	return 1
}
