package cart

import (
	"cmp"
	"context"
	"io"
	"log/slog"
	"time"

	"bayfill/bridge/build"
	"bayfill/bridge/clock"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/discovery"
	"bayfill/bridge/journal"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/names"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Options is what a cart needs besides the configuration.
type Options struct {
	Fluids map[string]fillcalc.Fluid // configured ones, by name
	Shop   *closing.Shop             // that all carts of a bridge share; nil: a cart of its own
	Broker mqtt.Endpoint             // without client id and will, which the cart sets
	Log    *slog.Logger
	Speed  float64 // of the cart's clock; 1 is real time
	// Clock replaces the cart's own clock by a driven one; nil: it has its own.
	Clock *clock.Clock
	// Open replaces the opening of a sensor's serial port; nil opens the port.
	Open func(sensor string) (io.ReadWriteCloser, error)
	// ClockSet reports whether the computer's clock was set from outside; nil means yes.
	ClockSet func() bool
	// History says that a forwarder reads the journal.
	History bool
	// Newest returns what others know of a cart's journal, where something may be later
	// than its newest event; nil: nobody is asked.
	Newest func(ctx context.Context, cart string, afterNs int64) []Newest
}

// New opens a cart's journal, replays it, and reads the keys. Run starts the cart. The
// error names the file or the setting that is wrong.
func New(ctx context.Context, config *config.Config, own *config.Cart, o Options) (c *Cart, err error) {
	journal, err := journal.Open(config.JournalPath(own.Name))
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			journal.Close()
		}
	}()
	c = &Cart{
		config: own, fluids: o.Fluids, serviceData: config.ServiceData, shopName: config.Shop, shop: o.Shop, needs: config.Verdict.Items(), copies: config.Records.Also, ended: make(chan struct{}, 1), shopUnits: cmp.Or(units.System(config.Units), units.Metric), clockSet: o.ClockSet, journal: journal, path: config.JournalPath(own.Name), log: o.Log, meter: newMeter(),
		readings: newRawReadings(config.Readings, own), inbox: make(chan report, 1024), filled: make(chan struct{}, 1), commands: make(chan incoming, 16),
		pulse:     pulse{running: make(chan struct{}), madeAt: time.Now()},
		backlog:   backlog{writes: make(chan write, 1), done: make(chan outcome, 1), max: maxBacklog},
		retention: retention{keep: keepJournal, maxBytes: config.Journal.MaxBytes()},
		alerts:    map[string]wire.Alert{}, frames: map[string]frameTrouble{},
	}
	c.lock.Lock()
	if o.History {
		c.grown = make(chan struct{}, 1)
	}
	c.calibrations.newest, c.calibrations.trouble = config.LastCalibrations(own)
	c.link = newLink(o.Broker, config.Shop, own.Name, c.commands, c.reporter(wire.AlertBroker))
	if prefix := config.Broker.Discovery.Prefix; prefix != "" {
		c.link.announced = discovery.Announcements(prefix, config.Shop, own.Name, build.Version)
	}
	if err := c.readKeys(ctx, config); err != nil {
		return nil, err
	}
	if c.shop == nil {
		c.shop = closing.NewShop(&config.Stock)
	}
	c.addClosings(ctx)
	lost, err := c.begin(ctx, config.Shop, time.Now().UnixNano(), &o)
	if err != nil {
		return nil, err
	}
	if err := c.makeDrivers(o.Open); err != nil {
		return nil, err
	}
	c.alert(wire.Alert{Code: wire.AlertSnapshot, Said: wire.Say(lost)})
	if err := c.alertResumed(); err != nil {
		return nil, err
	}
	given, err := journal.GivenUp()
	if err != nil {
		return nil, err
	}
	c.alertGivenUp(given)
	return c, nil
}

// readKeys reads the key that hides names, the one that signs closing records, and the one
// that signs commands.
func (c *Cart) readKeys(ctx context.Context, config *config.Config) error {
	key, err := config.IdentityKey()
	if err != nil {
		return err
	}
	known, err := c.journal.Names(ctx)
	if err != nil {
		return err
	}
	if c.recordKey, err = config.RecordKey(); err != nil {
		return err
	}
	c.identities = names.Hider{Key: key, Policy: config.Identities.Policy(), Current: known}
	if key, err = config.CommandKey(); err != nil {
		return err
	}
	c.verifier, err = newVerifier(key, c.link.topic(wire.CommandsLeaf), c.journal)
	return err
}

// begin replays the journal, and appends the start with the setup as the first event
// of this run. lost says what the replay could not restore; usually it is empty.
func (c *Cart) begin(ctx context.Context, shop string, wallNs int64, o *Options) (lost fillcalc.Text, err error) {
	if c.state, lost, err = c.journal.Replay(ctx); err != nil {
		return lost, err
	}
	if c.backlog.chain, err = c.journal.Chain(); err != nil {
		return lost, err
	}
	// Time never runs back within a journal, whatever the computer's clock says.
	beginNs := max(wallNs, c.state.NowNs+int64(time.Millisecond))
	var resumed *fillcalc.Resumed
	var answers []journal.Answer
	if newest, done := c.compare(ctx, &c.state, wallNs, o.Newest); newest != nil {
		beginNs = max(beginNs, newest.AtNs+int64(time.Millisecond))
		if resumed, answers, err = c.resume(&c.state, newest, done, beginNs); err != nil {
			return lost, err
		}
	}
	if o.Clock != nil {
		c.clock = o.Clock.NotBefore(c.state.NowNs + int64(time.Millisecond))
	} else {
		c.clock = clock.New(beginNs, o.Speed)
	}
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(),
		Input: &fillcalc.Input{Do: fillcalc.DoStart, Setup: c.config.Setup(shop, c.calibrations.newest), Resumed: resumed}})
	if err := fillcalc.Check(&c.state, e.Input); err != nil {
		return lost, err
	}
	next := fillcalc.Apply(c.state, e)
	// With a snapshot, so that what was replayed now need not be replayed again and may
	// be deleted one day.
	batch := journal.Batch{Events: []fillcalc.Event{e}, Answers: answers, Snapshot: &next}
	c.published.render(&next, &batch)
	batch.LinkChain(c.backlog.chain)
	if err := c.journal.Append(ctx, batch); err != nil {
		return lost, err
	}
	c.state, c.retention.prunedNs = next, next.NowNs
	c.backlog.chain, c.backlog.snapshotSeq = batch.Chain, next.Seq
	c.meter.saved(batch.Events)
	return lost, nil
}

// makeDrivers makes the sensors' drivers. open replaces the opening of a port unless
// it is nil.
func (c *Cart) makeDrivers(open func(sensor string) (io.ReadWriteCloser, error)) error {
	for i := range c.config.Sensors {
		d, err := c.config.Sensors[i].Driver(c.clock)
		if err != nil {
			return err
		}
		if open != nil {
			d.Open = func() (io.ReadWriteCloser, error) { return open(d.Name) }
		}
		c.drivers = append(c.drivers, d)
	}
	return nil
}
