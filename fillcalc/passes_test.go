package fillcalc

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// By hand: each pass of 4 out of 10 L leaves 0.6 of the old fluid, so 0.6, 0.36
// and 0.216 of it are left. 4, then 5 and then 2: 0.6 · 0.5 · 0.8 = 0.24.
func TestFreshShare(t *testing.T) {
	for _, c := range []struct {
		drained []float64
		want    float64
	}{
		{nil, 0}, {[]float64{4}, 0.4}, {[]float64{4, 4}, 0.64}, {[]float64{4, 4, 4}, 0.784}, {[]float64{4, 5, 2}, 0.76},
	} {
		got, err := FreshShare(10, c.drained...)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "fresh share", got, c.want, 1e-15)
	}
}

func TestPassesFor(t *testing.T) {
	for _, c := range []struct {
		share float64
		want  int
	}{
		{0.01, 1}, {0.4, 1}, {0.4001, 2}, {0.64, 2}, {0.7, 3}, {0.784, 3}, {0.7841, 4},
		{0.95, 6}, // 0.6⁵ = 0.078, 0.6⁶ = 0.047
	} {
		if got, err := PassesFor(10, 4, c.share); err != nil || got != c.want {
			t.Errorf("%g fresh takes %d passes, %v; want %d", c.share, got, err, c.want)
		}
	}
	// The two functions agree: that many passes reach the share, one fewer do not.
	rapid.Check(t, func(t *rapid.T) {
		total := rapid.Float64Range(5, 15).Draw(t, "total")
		drained := total * rapid.Float64Range(0.1, 0.9).Draw(t, "part")
		share := rapid.Float64Range(0.01, 0.999).Draw(t, "share")
		n, err := PassesFor(total, drained, share)
		if err != nil {
			t.Fatal(err)
		}
		enough, _ := FreshShare(total, slices.Repeat([]float64{drained}, n)...)
		fewer, _ := FreshShare(total, slices.Repeat([]float64{drained}, n-1)...)
		if enough < share-2e-12 || fewer >= share {
			t.Errorf("%d passes make %g, one fewer %g; wanted %g", n, enough, fewer, share)
		}
	})
}

func TestPassesErrors(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		field                 string
		total, drained, share float64
	}{
		{"drained_l", 10, 10, 0.5}, {"drained_l", 10, 11, 0.5}, {"drained_l", 10, 0, 0.5}, {"drained_l", 10, -1, 0.5},
		{"drained_l", 10, nan, 0.5}, {"drained_l", 10, 1e-300, 0.5}, {"drained_l", 10, 0.1, 0.99},
		{"total_l", 0, 4, 0.5}, {"total_l", nan, 4, 0.5}, {"total_l", math.Inf(1), 4, 0.5},
		{"share", 10, 4, 1}, {"share", 10, 4, 1.5}, {"share", 10, 4, 0}, {"share", 10, 4, nan},
	} {
		if n, err := PassesFor(c.total, c.drained, c.share); err == nil || !strings.HasPrefix(err.Error(), c.field+": ") {
			t.Errorf("%+v: got %d, %v", c, n, err)
		}
	}
	if _, err := FreshShare(10, 4, 12); err == nil || !strings.HasPrefix(err.Error(), "drained_l[1]: ") {
		t.Errorf("12 of 10 L: got %v", err)
	}
	if _, err := FreshShare(nan, 4); err == nil || !strings.HasPrefix(err.Error(), "total_l: ") {
		t.Errorf("unknown total: got %v", err)
	}
}
