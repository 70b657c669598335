package clock

import "time"

// Clock is a cart's event time.
type Clock struct {
	AnchorNs int64     // the reading at Start, nanoseconds since 1970 UTC
	Start    time.Time // with its monotonic reading
	speed    float64
}

// New starts a clock that reads anchorNs now and runs speed times as fast as real time.
func New(anchorNs int64, speed float64) *Clock {
	return &Clock{anchorNs, time.Now(), speed}
}

// NowNs returns the event time in nanoseconds since 1970 UTC.
func (c *Clock) NowNs() int64 {
	return c.AnchorNs + int64(float64(time.Since(c.Start))*c.speed)
}

// Ahead returns how far this clock is ahead of the computer's clock, which may have been
// set since the start.
func (c *Clock) Ahead() time.Duration {
	return time.Duration(c.NowNs() - time.Now().UnixNano())
}

// Elapsed returns the time on this clock since it was started.
func (c *Clock) Elapsed() time.Duration {
	return time.Duration(float64(time.Since(c.Start)) * c.speed)
}

// RealTime returns how long a duration on this clock takes in real time, at least a
// millisecond, so that a loop on a fast clock does not spin.
func (c *Clock) RealTime(d time.Duration) time.Duration {
	return max(time.Duration(float64(d)/c.speed), time.Millisecond)
}

// Speed returns how many times as fast as real time this clock runs.
func (c *Clock) Speed() float64 { return c.speed }
