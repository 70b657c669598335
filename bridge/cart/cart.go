package cart

import (
	"context"
	"crypto/ed25519"
	"log/slog"
	"sync"
	"time"

	"bayfill/bridge/clock"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Cart is one instrumented cart. The goroutine in Run owns its state, and everything
// that happens to the cart reaches that goroutine in one order.
type Cart struct {
	// Constant after New.
	config      *config.Cart
	fluids      map[string]fillcalc.Fluid // configured ones, by name
	serviceData string                    // folder; empty when none is configured
	shopName    string
	shop        *closing.Shop
	shopUnits   units.System
	needs       []fillcalc.Item // of work, for a pass
	copies      string          // folder of the second place of closing records; empty: none
	clock       *clock.Clock
	clockSet    func() bool // nil: the computer's clock counts as set
	journal     *journal.Journal
	path        string // of the journal
	link        *link
	drivers     []*sensors.Sensor
	log         *slog.Logger
	meter       *meter

	// inbox is the one queue for everything but commands. When it is full the sensors
	// wait, and the kernel keeps their bytes: readings are never dropped.
	inbox chan report
	// commands is a short queue: when it is full the link answers "busy".
	commands chan incoming
	// grown tells the forwarder that the journal has grown; nil without a history. One
	// signal is enough, so a full queue drops it.
	grown chan struct{}
	ended chan struct{} // a job has ended, as grown
	pulse pulse

	// Owned by the loop.
	state      fillcalc.State
	backlog    backlog
	retention  retention
	published  published
	record     wire.Record // of the newest job that has ended
	readings   rawReadings
	identities names.Hider
	recordKey  ed25519.PrivateKey
	verifier   verifier
	alerts     map[string]wire.Alert // by kind
	choices    choices
	// What the loop watches.
	calibrations calibrations
	frames       map[string]frameTrouble // of the sensors that have any
	stillness    [2]stillness            // of the scales, as in the state
}

// tickEvery is how long the fold goes without an event.
const tickEvery = time.Second

// Run runs the cart's loop. It returns when ctx has ended, everything that it started
// has ended, and all readings are on disk.
func (c *Cart) Run(ctx context.Context) error {
	var workers sync.WaitGroup
	for _, d := range c.drivers {
		workers.Go(func() { c.runSensor(ctx, d) })
	}
	c.link.set(wire.AboutLeaf, wire.Encode(c.about()))
	if c.copies != "" {
		workers.Go(func() { c.runCopies(ctx) })
	}
	shop := c.lookAtShop()
	workers.Go(func() { c.runShop(ctx, shop) })
	c.handleShop(c.readServiceData())
	c.link.set(wire.AlertsLeaf, wire.Encode(c.alertsMessage()))
	c.publishAll()
	c.publishRecord()

	// Set again only when it has fired: a timer that each reading moves still wakes the
	// process at its old time.
	due := time.NewTimer(c.rest())
	defer due.Stop()
	c.turn()
	close(c.pulse.running)
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case r := <-c.inbox:
			c.handle(r)
		case m := <-c.commands:
			c.handleCommand(ctx, m)
		case o := <-c.backlog.done:
			c.writeDone(o)
		case <-due.C:
			c.tick()
			due.Reset(c.rest())
		}
		if c.backlog.due() {
			c.watchClock()
			c.watchCalibrations()
			c.save(ctx)
		}
		c.turn()
	}
	return c.end(&workers)
}

// end saves what is still in memory. A worker may be waiting for room in the inbox, so
// the inbox is emptied until all workers have ended.
func (c *Cart) end(workers *sync.WaitGroup) error {
	ended := make(chan struct{})
	go func() { workers.Wait(); close(ended) }()
	for waiting := true; waiting; {
		select {
		case r := <-c.inbox:
			c.handle(r)
		case <-ended:
			waiting = false
		}
	}
	c.emptyInbox()
	c.awaitWrite()
	// However long a slow card takes: without this the readings would be lost.
	for len(c.backlog.batch.Events) > 0 {
		batch := c.backlog.next(&c.state)
		if err := c.journal.Append(context.Background(), batch); err != nil {
			return err
		}
		c.saved(batch)
	}
	return nil
}

// emptyInbox handles everything that is in the inbox now.
func (c *Cart) emptyInbox() {
	for n := len(c.inbox); n > 0; n-- {
		c.handle(<-c.inbox)
	}
}

// stamp gives an event the next sequence number, and a time later than all before it.
func (c *Cart) stamp(e fillcalc.Event) fillcalc.Event {
	e.Seq = c.state.Seq + 1
	e.AtNs = max(e.AtNs, c.state.NowNs+1)
	return e
}

// apply applies a reading or a tick at once; it is saved a little later.
func (c *Cart) apply(e fillcalc.Event) {
	e = c.stamp(e)
	c.state = fillcalc.Apply(c.state, e)
	c.addToBacklog(e)
	c.publishReading(&e)
	c.watchFrozen(e)
	c.publish()
}

// tick lets the fold notice that time passes without a reading.
func (c *Cart) tick() {
	if now := c.clock.NowNs(); now-c.state.NowNs >= int64(tickEvery) {
		c.apply(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: now, Input: &fillcalc.Input{Do: fillcalc.DoTick}})
	}
}

// rest is how long the loop may wait for something to happen: until it is time to tick or
// to save.
func (c *Cart) rest() time.Duration {
	rest := min(saveEvery, c.clock.RealTime(tickEvery-time.Duration(c.clock.NowNs()-c.state.NowNs)))
	if save := saveEvery - time.Since(c.backlog.beganAt); save > 0 {
		rest = min(rest, save)
	}
	return max(rest, time.Millisecond) // a driven clock may stand still just before it is time
}

// RunLink keeps the connection to the broker until ctx ends; then it says goodbye. It
// must outlive Run, which publishes to its end.
func (c *Cart) RunLink(ctx context.Context) { c.link.run(ctx) }

// Close closes what New opened. The cart has stopped, or has never run.
func (c *Cart) Close() error { return c.journal.Close() }

// Name is the cart's name in the configuration.
func (c *Cart) Name() string { return c.config.Name }

// BrokerURL is the first URL of the cart's broker.
func (c *Cart) BrokerURL() string { return c.link.endpoint.URLs[0] }

// Connected reports whether the cart is connected to the broker.
func (c *Cart) Connected() bool { return c.link.connected.Load() }

// Leaves returns the newest message of each state leaf, sent or not.
func (c *Cart) Leaves() map[wire.Leaf]string { return c.link.newest() }
