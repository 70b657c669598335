package clock

import (
	"sync/atomic"
	"time"
)

// Clock is a cart's event time.
type Clock struct {
	AnchorNs int64     // the reading at Start, nanoseconds since 1970 UTC
	Start    time.Time // with its monotonic reading
	speed    float64
	// elapsedNs is the time since the start of a driven clock; nil: real time drives it.
	elapsedNs *atomic.Int64
}

// New starts a clock that reads anchorNs now and runs speed times as fast as real time.
func New(anchorNs int64, speed float64) *Clock {
	return &Clock{AnchorNs: anchorNs, Start: time.Now(), speed: speed}
}

// NewDriven returns a clock that reads anchorNs and stands still between two calls of
// Advance: what is measured by it does not depend on how busy the computer is.
func NewDriven(anchorNs int64) *Clock {
	return &Clock{AnchorNs: anchorNs, elapsedNs: new(atomic.Int64)}
}

// Driven reports whether Advance moves this clock.
func (c *Clock) Driven() bool { return c.elapsedNs != nil }

// Advance moves a driven clock to a time since its start.
func (c *Clock) Advance(to time.Duration) { c.elapsedNs.Store(int64(to)) }

// NotBefore returns a clock that runs as this one does, and reads ns now if this one reads an
// earlier time.
func (c *Clock) NotBefore(ns int64) *Clock {
	own := *c
	own.AnchorNs += max(0, ns-c.NowNs())
	return &own
}

// NowNs returns the event time in nanoseconds since 1970 UTC.
func (c *Clock) NowNs() int64 { return c.AnchorNs + int64(c.Elapsed()) }

// Ahead returns how far this clock is ahead of the computer's clock, which may have been
// set since the start.
func (c *Clock) Ahead() time.Duration {
	return time.Duration(c.NowNs() - time.Now().UnixNano())
}

// Elapsed returns the time on this clock since it was started.
func (c *Clock) Elapsed() time.Duration {
	if c.Driven() {
		return time.Duration(c.elapsedNs.Load())
	}
	return time.Duration(float64(time.Since(c.Start)) * c.speed)
}

// drivenPause is longer than a driven clock ever stands still.
const drivenPause = 24 * time.Hour

// RealTime returns how long a duration on this clock takes in real time, at least a
// millisecond, so that a loop on a fast clock does not spin. On a driven clock it is very
// long, so that nothing is late.
func (c *Clock) RealTime(d time.Duration) time.Duration {
	if c.Driven() {
		return drivenPause
	}
	return max(time.Duration(float64(d)/c.speed), time.Millisecond)
}

// FollowsComputer reports whether this clock should agree with the computer's.
func (c *Clock) FollowsComputer() bool { return !c.Driven() && c.speed == 1 }
