package cart

import (
	"time"

	"bayfill/fillcalc"
)

// Unwire takes the sensors off a cart that does not run yet: its events come by
// Feed, as fast as the journal takes them. The journal keeps what it no longer
// needs for so long.
func (c *Cart) Unwire(keep time.Duration) {
	c.drivers, c.calibrationNs, c.keep = nil, 1<<62, keep
}

// Feed hands the cart an event, as a sensor does: it waits while the inbox is full.
func (c *Cart) Feed(e fillcalc.Event) { c.inbox <- happening{event: &e, sensor: e.Sensor} }

// Command hands the cart a command, as the broker does: its reply goes out on the
// leaf replies.
func (c *Cart) Command(payload []byte) { c.commands <- incoming{payload: payload} }

// State is that of a cart that does not run.
func (c *Cart) State() fillcalc.State { return c.state }
