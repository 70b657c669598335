package cart

import (
	"sync/atomic"
	"time"

	"bayfill/bridge/wire"
)

// pulse is the loop's sign of life.
type pulse struct {
	running  chan struct{} // closed when the loop starts
	madeAt   time.Time     // when the cart was made
	turnedNs atomic.Int64  // when the loop last turned, after madeAt
}

// turn notes that the loop is alive, and the state of the cart.
func (c *Cart) turn() {
	c.pulse.turnedNs.Store(int64(time.Since(c.pulse.madeAt)))
	c.meter.turn(&c.state, len(c.backlog.batch.Events))
	every := wire.IdleBeat
	if c.state.Job.Phase.Open() {
		every = wire.JobBeat
	}
	c.link.beat(every)
}

// SinceTurn is how long ago the loop began its present turn. Any goroutine may ask.
func (c *Cart) SinceTurn() time.Duration {
	return time.Since(c.pulse.madeAt) - time.Duration(c.pulse.turnedNs.Load())
}

// Running is closed when the loop starts.
func (c *Cart) Running() <-chan struct{} { return c.pulse.running }
