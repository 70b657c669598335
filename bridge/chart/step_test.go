package chart

import (
	"math"
	"testing"
)

func TestRoundSteps(t *testing.T) {
	for _, c := range []struct{ v, down, up float64 }{
		{1, 1, 1},
		{1.5, 1, 2},
		{2, 2, 2},
		{2.5, 2, 5},
		{4.999, 2, 5},
		{5, 5, 5},
		{7, 5, 10},
		{9.999, 5, 10},
		{10, 10, 10},
		{0.1, 0.1, 0.1},
		{0.12, 0.1, 0.2},
		{0.2, 0.2, 0.2},
		{0.5, 0.5, 0.5},
		{0.07, 0.05, 0.1},
		{999, 500, 1000},
		{1000, 1000, 1000}, // math.Log10 gives less than 3
		{1001, 1000, 2000},
		{3e-7, 2e-7, 5e-7},
		{6e200, 5e200, 1e201},
		{3e-200, 2e-200, 5e-200},
	} {
		if down, up := RoundDown(c.v), RoundUp(c.v); !near(down, c.down) || !near(up, c.up) {
			t.Errorf("%g: down to %g and up to %g, want %g and %g", c.v, down, up, c.down, c.up)
		}
	}
}

// Powers of ten are not exact below 1.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-15*math.Abs(b) }

// A rounded step lies beside the value, and next to a rounded step on the other side.
func FuzzRoundSteps(f *testing.F) {
	f.Add(1.0)
	f.Add(0.3)
	f.Add(1000.0)
	f.Add(math.Nextafter(1000, 0))
	f.Add(1e-300)
	f.Add(1e307)
	f.Fuzz(func(t *testing.T, v float64) {
		if !(v >= 1e-300 && v <= 1e307) {
			return
		}
		down, up := RoundDown(v), RoundUp(v)
		if !(down > 0 && down <= v && v <= up) {
			t.Errorf("%g: down to %g, up to %g", v, down, up)
		}
		if ratio := up / down; !(ratio < 2.5000001) {
			t.Errorf("%g: from %g to %g", v, down, up)
		}
	})
}
