package chart

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// However long a signal is, its curve is small, and neither peaks nor gaps are lost.
func TestCurveKeepsPeaksAndGaps(t *testing.T) {
	const n = 100_000
	c := NewCurve(1, n*1e8, 3e9)
	for i := range int64(n) {
		v := math.Sin(float64(i) / 9000)
		switch {
		case i == 54_321:
			v = 40 // one reading
		case i == 70_000:
			v = -30
		case i > 20_000 && i < 22_000:
			continue // silent
		case i > 40_000 && i < 42_000:
			v = math.NaN()
		}
		c.Add(1+i*1e8, v)
	}
	drawn := c.Path(TimeAxis{1, n * 1e8, 0, 600, nil}, NewAxis(-30, 40, 10, -30, 40))
	path := drawn.String()
	if points := strings.Count(path, "M") + strings.Count(path, "L"); points > 2*curveColumns || points < curveColumns {
		t.Errorf("%d points", points)
	}
	if lines := strings.Count(path, "M"); lines != 3 {
		t.Errorf("%d lines around two gaps", lines)
	}
	for _, peak := range []string{" 40.0", " -30.0"} {
		if strings.Count(path, peak) != 1 {
			t.Errorf("the peak%s is not drawn once", peak)
		}
	}
	if v := c.Values(); slices.Min(v) != -30 || slices.Max(v) != 40 {
		t.Errorf("from %g to %g", slices.Min(v), slices.Max(v))
	}
}
