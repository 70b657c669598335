package clock

import "time"

// Clock is a cart's time: a wall-clock anchor carried on by the monotonic clock,
// so that a wall clock that is set does not disturb a pour. The demo runs it
// faster than life.
type Clock struct {
	AnchorNs int64
	Start    time.Time
	speed    float64
}

// NewClock starts a clock that reads anchorNs now and runs speed times as fast
// as life.
func New(anchorNs int64, speed float64) *Clock {
	return &Clock{anchorNs, time.Now(), speed}
}

// NowNs is the time in nanoseconds since 1970 UTC.
func (c *Clock) NowNs() int64 {
	return c.AnchorNs + int64(float64(time.Since(c.Start))*c.speed)
}

// Ahead is how far this clock has got before the computer's own, which may have
// been set since.
func (c *Clock) Ahead() time.Duration {
	return time.Duration(c.NowNs() - time.Now().UnixNano())
}

// Elapsed is the time since the clock was started.
func (c *Clock) Elapsed() time.Duration {
	return time.Duration(float64(time.Since(c.Start)) * c.speed)
}

// Life is how long a duration on this clock takes outside; at least a
// millisecond, so that a fast clock does not spin.
func (c *Clock) Life(d time.Duration) time.Duration {
	return max(time.Duration(float64(d)/c.speed), time.Millisecond)
}

// Speed is how many times as fast as life this clock runs.
func (c *Clock) Speed() float64 { return c.speed }
