package cart

import (
	"context"
	"time"

	"bayfill/fillcalc"
)

// Unwire removes the sensors of a cart that does not run yet: its events come from
// Feed, as fast as the journal accepts them. keep is how long the journal keeps what
// it no longer needs.
func (c *Cart) Unwire(keep time.Duration) {
	c.drivers, c.calibrations.checkedNs, c.retention.keep = nil, 1<<62, keep
}

// Feed gives the cart an event, as a sensor does. It waits while the inbox is full.
func (c *Cart) Feed(e fillcalc.Event) {
	c.inbox <- report{event: &e, sensor: e.Sensor}
	c.fill()
}

// Command gives the cart a command, as the link does. The reply is published on the
// leaf replies.
func (c *Cart) Command(payload []byte) { c.commands <- incoming{payload: payload} }

// State returns the state of a cart that does not run.
func (c *Cart) State() fillcalc.State { return c.state }

// Settle returns when the loop has handled every reading that reached it before. It is
// for who drives the cart's clock.
func (c *Cart) Settle(ctx context.Context) {
	handled := make(chan struct{})
	select {
	case c.inbox <- report{settled: handled}:
		c.fill()
	case <-ctx.Done():
		return
	}
	select {
	case <-handled:
	case <-ctx.Done():
	}
}

// RenewEvery sets after how long, on average, every leaf is sent again. The cart does not
// run yet.
func (c *Cart) RenewEvery(d time.Duration) { c.link.renewEvery = d }
