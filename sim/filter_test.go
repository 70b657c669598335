package sim

import (
	"math"
	"testing"
)

// The response of each filter to a step from 0 to 1 kg, by its definition.
func TestFilters(t *testing.T) {
	for name, c := range map[string]struct {
		kind Filter
		want []float64
	}{
		"average": {Average, []float64{0.25, 0.5, 0.75, 1, 1}},
		"lag":     {Lag, []float64{1 - math.Exp(-0.25), 1 - math.Exp(-0.5), 1 - math.Exp(-0.75), 1 - math.Exp(-1), 1 - math.Exp(-1.25)}},
		"median":  {Median, []float64{0, 1, 1, 1, 1}},
		"hold":    {Hold, []float64{0, 0.5, 0.5, 1, 1}},
	} {
		f := filter{kind: c.kind, last: make([]float64, 4), holdKg: 0.3}
		for range 8 {
			f.next(0)
		}
		for _, want := range c.want {
			near(t, name, f.next(1), want, 1e-12)
		}
	}
}
