package cart

import (
	"time"
)

// turn notes that the cart's loop is alive, and how the cart stands.
func (c *Cart) turn() {
	c.turnedNs.Store(int64(time.Since(c.begun)))
	c.meter.turn(&c.state, len(c.unsaved.Events))
}

// sinceTurn is how long ago the loop began its present turn.
func (c *Cart) SinceTurn() time.Duration {
	return time.Since(c.begun) - time.Duration(c.turnedNs.Load())
}
