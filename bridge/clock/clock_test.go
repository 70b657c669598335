package clock

import (
	"testing"
	"time"
)

// A driven clock stands still until it is moved, and nothing on it is ever late.
func TestDriven(t *testing.T) {
	c := NewDriven(1e18)
	if c.NowNs() != 1e18 || c.Elapsed() != 0 || !c.Driven() || c.FollowsComputer() {
		t.Errorf("%d, %v", c.NowNs(), c.Elapsed())
	}
	c.Advance(90 * time.Second)
	if c.NowNs() != 1e18+90e9 || c.Elapsed() != 90*time.Second || c.RealTime(time.Second) < time.Hour {
		t.Errorf("%d, %v, %v", c.NowNs(), c.Elapsed(), c.RealTime(time.Second))
	}
	if late := c.NotBefore(1e18 + 200e9); late.NowNs() != 1e18+200e9 || c.NotBefore(0).NowNs() != c.NowNs() {
		t.Errorf("%d", late.NowNs())
	} else if c.Advance(100 * time.Second); late.NowNs() != 1e18+210e9 {
		t.Errorf("it does not run on: %d", late.NowNs())
	}
	if real := New(1e18, 1); real.Driven() || !real.FollowsComputer() || real.RealTime(time.Minute) != time.Minute || New(0, 20).FollowsComputer() {
		t.Error("a clock of its own")
	}
}
