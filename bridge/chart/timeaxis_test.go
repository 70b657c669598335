package chart

import (
	"math"
	"testing"
	"time"
)

func TestTimeAxisTicks(t *testing.T) {
	start := time.Date(2026, 11, 3, 9, 0, 10, 0, time.UTC)
	for _, c := range []struct {
		long time.Duration
		want string
	}{
		{20 * time.Second, "09:00:15 09:00:20 09:00:25 09:00:30"},
		{3 * time.Minute, "09:00:30 09:01:00 09:01:30 09:02:00 09:02:30 09:03:00"},
		{40 * time.Minute, "09:05 09:10 09:15 09:20 09:25 09:30 09:35 09:40"},
		{7 * time.Hour, "10:00 11:00 12:00 13:00 14:00 15:00 16:00"},
		{30 * time.Hour, "12:00 16:00 20:00 00:00 04:00 08:00 12:00"},
		{time.Second, ""},
		{0, ""},
		{-time.Hour, ""},
	} {
		a := TimeAxis{start.UnixNano(), start.Add(c.long).UnixNano(), 44, 690, nil}
		if got := texts(a.Ticks(9)); got != c.want {
			t.Errorf("%v: %s, want %s", c.long, got, c.want)
		}
	}
}

func TestTimeAxisX(t *testing.T) {
	a := TimeAxis{1000, 2000, 0, 100, nil}
	for _, c := range []struct {
		ns   int64
		want float64
	}{{1000, 0}, {1500, 50}, {2000, 100}, {-1e18, 0}, {1e18, 100}} {
		if got := a.X(c.ns); got != c.want {
			t.Errorf("%d lies at %g, want %g", c.ns, got, c.want)
		}
	}
	if got := (TimeAxis{5, 5, 44, 690, nil}).X(5); got != 44 {
		t.Errorf("without a length: %g", got)
	}
}

// Whatever the times are, there are few ticks, they rise, and none lies beyond an end.
func FuzzTimeAxis(f *testing.F) {
	f.Add(int64(0), int64(1e9), 9)
	f.Add(int64(1.7e18), int64(1.7e18+3600e9), 9)
	f.Add(int64(math.MinInt64), int64(math.MaxInt64), 9)
	f.Add(int64(-1), int64(math.MaxInt64-1), 1)
	f.Add(int64(math.MaxInt64-1e10), int64(math.MaxInt64), 9)
	f.Fuzz(func(t *testing.T, fromNs, toNs int64, maxTicks int) {
		maxTicks = min(maxTicks, 1000)
		a := TimeAxis{fromNs, toNs, 44, 690, nil}
		ticks := a.Ticks(maxTicks)
		if len(ticks) > max(0, maxTicks) {
			t.Errorf("%d ticks", len(ticks))
		}
		x := 44.0
		for i, tick := range ticks {
			// Equal x: a float64 cannot tell apart what lies 100 ns apart today.
			if tick.X < x || tick.X > 690 {
				t.Errorf("tick %d of %v lies at %g after %g", i, ticks, tick.X, x)
			}
			x = tick.X
		}
	})
}
