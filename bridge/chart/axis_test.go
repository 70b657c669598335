package chart

import (
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"testing"
)

// texts are the texts of marks, in their order.
func texts(marks []Mark) string {
	var list []string
	for _, m := range marks {
		list = append(list, m.Text)
	}
	return strings.Join(list, " ")
}

func TestAxisTicks(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name string
		axis Axis
		want string
	}{
		{"0 to 3", FitAxis([]float64{0, 3}, 100, 0), "0 1 2 3"},
		{"just below 3", FitAxis([]float64{0, 2.99}, 100, 0), "0 0.5 1 1.5 2 2.5 3"},
		{"across zero", FitAxis([]float64{-1.2, 0.7}, 100, 0), "−1.5 −1 −0.5 0 0.5 1"},
		{"not round", FitAxis([]float64{3.185, 5.31}, 100, 0), "3 3.5 4 4.5 5 5.5"},
		{"3000", FitAxis([]float64{0, 3000}, 100, 0), "0 1000 2000 3000"},
		{"thousandths", FitAxis([]float64{0.001, 0.004}, 100, 0), "0.001 0.002 0.003 0.004"},
		{"one value", FitAxis([]float64{7}, 100, 0), "0 2 4 6 8 10 12 14"},
		{"zero", FitAxis([]float64{0, 0}, 100, 0), "−1 −0.5 0 0.5 1"},
		{"nothing known", FitAxis([]float64{nan, math.Inf(1)}, 100, 0), "−1 −0.5 0 0.5 1"},
		{"unknown beside known", FitAxis([]float64{nan, 0, 3}, 100, 0), "0 1 2 3"},
		{"a step of its own", NewAxis(0, 4.2, 1, 100, 0), "0 1 2 3 4 5"},
		{"an end on a step", NewAxis(20, 40, 10, 100, 0), "20 30 40"},
		{"no width", NewAxis(30, 30, 10, 100, 0), "30 40"},
		{"no range", NewAxis(nan, 3, 10, 100, 0), "0 10"},
	} {
		if got := texts(c.axis.Ticks("%.4g")); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestAxisY(t *testing.T) {
	a := NewAxis(0, 4, 1, 120, 20)
	for _, c := range []struct{ v, want float64 }{
		{0, 120}, {1, 95}, {4, 20}, {-3, 120}, {9, 20}, {math.NaN(), 120}, {math.Inf(1), 120}, {math.MaxFloat64, 20},
	} {
		if got := a.Y(c.v); got != c.want {
			t.Errorf("%g lies at %g, want %g", c.v, got, c.want)
		}
	}
}

// Whatever the values are, ticks are few, rise strictly from one end to the other,
// and every known value lies between them.
func FuzzFitAxis(f *testing.F) {
	for _, values := range [][]float64{
		nil, {0}, {1, 2, 3}, {-0.001, 0.002}, {math.NaN(), math.Inf(-1), 4}, {1e15, math.Nextafter(1e15, 2e15)},
		{math.MaxFloat64, -math.MaxFloat64}, {1e307, -1e307}, {5e-324, 0}, {1e307, 1e307},
	} {
		var bytes []byte
		for _, v := range values {
			bytes = binary.BigEndian.AppendUint64(bytes, math.Float64bits(v))
		}
		f.Add(bytes)
	}
	f.Fuzz(func(t *testing.T, bytes []byte) {
		var values []float64
		for b := range slices.Chunk(bytes, 8) {
			if len(b) == 8 {
				values = append(values, math.Float64frombits(binary.BigEndian.Uint64(b)))
			}
		}
		checkAxis(t, FitAxis(values, 164, 14), values)
	})
}

func FuzzNewAxis(f *testing.F) {
	f.Add(0.0, 4.2, 1.0)
	f.Add(-1e300, 1e300, 10.0)
	f.Add(1e300, 1e300, 10.0)
	f.Add(math.NaN(), math.Inf(1), 1e-300)
	f.Fuzz(func(t *testing.T, low, high, step float64) {
		if !(step >= 1e-300 && step <= 1e307) {
			return
		}
		a := NewAxis(low, high, step, 164, 14)
		if low <= high {
			checkAxis(t, a, []float64{low, high})
		} else {
			checkAxis(t, a, nil)
		}
	})
}

func checkAxis(t *testing.T, a Axis, values []float64) {
	t.Helper()
	ticks := a.Ticks("%.17g")
	if len(ticks) < 2 || len(ticks) > maxSteps+3 {
		t.Fatalf("%d ticks", len(ticks))
	}
	if first, last := ticks[0], ticks[len(ticks)-1]; first.Y != 164 || last.Y != 14 {
		t.Errorf("from %v to %v", first, last)
	}
	for i := range ticks[1:] {
		if ticks[i+1].Y >= ticks[i].Y || ticks[i+1].Text == ticks[i].Text {
			t.Errorf("%v is not above %v", ticks[i+1], ticks[i])
		}
	}
	for _, v := range values {
		if y := a.Y(v); !(y >= 14 && y <= 164) {
			t.Errorf("%g lies at %g", v, y)
		}
		// In steps, within the rounding of a float64.
		if n := v / a.step; math.Abs(v) <= maxValue && (n < a.first-1e-3 || n > a.last+1e-3) {
			t.Errorf("%g lies beyond %g to %g", v, a.first*a.step, a.last*a.step)
		}
	}
}
