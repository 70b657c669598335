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

// Cart is one instrumented cart. Whoever holds its lock has its state: the loop in Run, or a
// sensor's goroutine that has something to say while nobody else holds it. Everything that
// happens to the cart is handled in one order.
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

	// inbox is the one queue for everything but commands, for as long as somebody else has
	// the state. When it is full the sensors wait, and the kernel keeps their bytes: readings
	// are never dropped. Only who holds the lock takes something out, so that it stays in order.
	inbox chan report
	// filled tells the loop that something is in the inbox. One signal is enough.
	filled chan struct{}
	// commands is a short queue: when it is full the link answers "busy".
	commands chan incoming
	// grown tells the forwarder that the journal has grown; nil without a history. One
	// signal is enough, so a full queue drops it.
	grown chan struct{}
	ended chan struct{} // a job has ended, as grown
	pulse pulse

	// lock guards all that follows. It is locked from New on; Run unlocks it while it waits.
	lock       sync.Mutex
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

	var writer sync.WaitGroup
	writer.Go(func() { c.runWriter(ctx) })
	defer writer.Wait()
	defer close(c.backlog.writes)

	// Set again only when it has fired: a timer that each reading moves still wakes the
	// process at its old time.
	due := time.NewTimer(c.rest())
	defer due.Stop()
	c.turn()
	close(c.pulse.running)
	for ctx.Err() == nil {
		c.lock.Unlock()
		handle := c.wait(ctx, due)
		c.lock.Lock()
		handle()
		c.after()
	}
	return c.end(&workers)
}

// wait waits until there is something for the loop, and returns what handles it.
func (c *Cart) wait(ctx context.Context, due *time.Timer) (handle func()) {
	select {
	case <-ctx.Done():
		return func() {}
	case <-c.filled:
		return c.emptyInbox
	case m := <-c.commands:
		return func() { c.handleCommand(ctx, m) }
	case o := <-c.backlog.done:
		return func() { c.writeDone(o) }
	case <-due.C:
		return func() {
			c.tick()
			due.Reset(c.rest())
		}
	}
}

// after is what follows everything that was handled.
func (c *Cart) after() {
	if c.backlog.due() {
		c.watchClock()
		c.watchCalibrations()
		c.save()
	}
	c.turn()
}

// give handles a report of a sensor at once if nobody else has the state: a hand-over to the
// loop wakes a thread, which costs more than the reading itself. Otherwise it goes through the
// inbox.
func (c *Cart) give(ctx context.Context, r report) {
	if c.lock.TryLock() {
		c.emptyInbox()
		c.handle(r)
		c.after()
		c.lock.Unlock()
		return
	}
	select {
	case c.inbox <- r:
	case <-ctx.Done():
		// The loop still empties the inbox while its sensors end.
		select {
		case c.inbox <- r:
		case <-time.After(100 * time.Millisecond):
		}
	}
	c.fill()
}

// fill tells the loop that something is in the inbox.
func (c *Cart) fill() {
	select {
	case c.filled <- struct{}{}:
	default:
	}
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
