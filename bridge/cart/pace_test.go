package cart

import (
	"testing"
	"time"
)

// TestPace checks that the forecast of the remaining room follows from the last one to
// two hours.
func TestPace(t *testing.T) {
	var p pace
	minute := int64(time.Minute)
	at := func(minutes, bytes int64) time.Duration {
		return p.left(1e18+minutes*minute, bytes, 6_000_000).Round(time.Minute)
	}
	for _, c := range []struct {
		minutes, bytes int64
		want           time.Duration
	}{
		{0, 5000, 0},                  // unknown yet
		{9, 95_000, 0},                // too soon
		{10, 105_000, 10 * time.Hour}, // 10 kB a minute
		{60, 605_000, 10 * time.Hour},
		{61, 605_000, 610 * time.Minute},
		{120, 1_805_000, 300 * time.Minute}, // 20 since
		{121, 1_825_000, 300 * time.Minute},
		{181, 25_000, 0}, // the history has accepted most
		{241, 25_000, 0},
		{242, 25_001, 365_000 * time.Hour}, // within what a duration can hold
	} {
		if got := at(c.minutes, c.bytes); got != c.want && got.Hours() < 365_000 {
			t.Errorf("after %d minutes, at %d bytes: %v, want %v", c.minutes, c.bytes, got, c.want)
		}
	}
}
