package cart

import (
	"context"
	"io"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/names"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// cartOptions are what a cart has besides the configuration.
type Options struct {
	Fluids map[string]fillcalc.Fluid
	Broker mqtt.Endpoint // without client id and will, which are the cart's own
	Log    *slog.Logger
	Speed  float64 // of the cart's clock; 1 is life
	// Open replaces the opening of a sensor's serial port; nil: it is opened.
	Open     func(sensor string) (io.ReadWriteCloser, error)
	ClockSet func() bool // nil: it is
	// History says that a forwarder follows.
	History bool
}

// keepJournal is how long a journal keeps what history and fold no longer need.
const keepJournal = 7 * 24 * time.Hour

// newCart opens a cart's journal and replays it; the cart runs with run.
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
		config: own, fluids: o.Fluids, serviceData: config.ServiceData, journal: journal, path: config.JournalPath(own.Name),
		clockSet: o.ClockSet, log: o.Log, keep: keepJournal, most: config.Journal.MaxBytes(), mostUnsaved: mostUnsaved,
		inbox: make(chan happening, 1024), commands: make(chan incoming, 16), written: make(chan outcome, 1),
		alerts: map[string]wire.Alert{}, frames: map[string]frameTrouble{}, meter: newMeter(), running: make(chan struct{}), begun: time.Now(),
	}
	if o.History {
		c.forward = make(chan struct{}, 1)
	}
	c.calibrations, c.troubles = config.LastCalibrations(own)
	key, err := config.IdentityKey()
	if err != nil {
		return nil, err
	}
	known, err := journal.Names(ctx)
	if err != nil {
		return nil, err
	}
	c.identities = names.Hider{Key: key, Policy: config.Identities.Policy(), Current: known}
	if err := c.begin(ctx, time.Now().UnixNano(), o.Speed); err != nil {
		return nil, err
	}
	for i := range own.Sensors {
		d, err := own.Sensors[i].Driver(c.clock)
		if err != nil {
			return nil, err
		}
		if o.Open != nil {
			d.Open = func() (io.ReadWriteCloser, error) { return o.Open(d.Name) }
		}
		c.drivers = append(c.drivers, d)
	}
	c.link = newLink(o.Broker, config.Shop, own.Name, c.commands, c.reporter(wire.AlertBroker))
	c.alert(wire.Alert{Code: wire.AlertSnapshot, Text: c.unreplayed})
	given, err := journal.GivenUp()
	if err != nil {
		return nil, err
	}
	c.tellGivenUp(given)
	commandKey, err := config.CommandKey()
	if err != nil {
		return nil, err
	}
	if c.verifier, err = newVerifier(commandKey, c.link.topic(wire.CommandsLeaf), journal); err != nil {
		return nil, err
	}
	return c, nil
}

// Journal is the cart's journal, which others may read while the cart runs.
func (c *Cart) Journal() *journal.Journal { return c.journal }

// Grown hears each time that the journal has grown; nil where no forwarder follows.
func (c *Cart) Grown() <-chan struct{} { return c.forward }

// Leaves are the newest messages of the state leaves, whether or not they are sent.
func (c *Cart) Leaves() map[wire.Leaf]string { return c.link.newest() }

// Connected tells whether the cart has a connection to the broker.
func (c *Cart) Connected() bool { return c.link.connected.Load() }

// Running is closed when the cart's loop begins to turn.
func (c *Cart) Running() <-chan struct{} { return c.running }

// Name is the cart's name in the configuration.
func (c *Cart) Name() string { return c.config.Name }

// Register lets Prometheus ask for the cart's figures; sentSeq tells up to which event
// the history has everything, and is nil without one.
func (c *Cart) Register(r prometheus.Registerer, sentSeq func() uint64) {
	c.meter.register(r, c, sentSeq)
}

// RunLink keeps the connection to the broker until ctx ends; then it says goodbye.
// It outlives run, which still has something to say at its end.
func (c *Cart) RunLink(ctx context.Context) { c.link.run(ctx) }

// BrokerURL is the broker that the cart talks to.
func (c *Cart) BrokerURL() string { return c.link.endpoint.URL }

// Close ends what newCart opened; the cart has stopped, or never run.
func (c *Cart) Close() error { return c.journal.Close() }

// watchHistory gives what a forwarder is to tell of its work: its trouble, empty
// when there is none, and how many lines the history has refused for good since.
func (c *Cart) WatchHistory(ctx context.Context) (told func(trouble string, refused int), err error) {
	reportTrouble, reportRefused := c.reporter(wire.AlertHistory), c.reporter(wire.AlertHistoryRefused)
	text, err := c.journal.BoundDeadLetters(ctx)
	if err != nil {
		return nil, err
	}
	c.alert(wire.Alert{Code: wire.AlertHistoryRefused, Text: text})
	looked := time.Now()
	return func(trouble string, refused int) {
		reportTrouble(trouble)
		c.meter.refusedLines.Add(float64(refused))
		if refused == 0 && time.Since(looked) < time.Hour || ctx.Err() != nil {
			return
		}
		looked = time.Now()
		text, err := c.journal.BoundDeadLetters(ctx)
		if err != nil {
			c.log.Warn("lines that the history refused are not counted", "error", err)
			return
		}
		reportRefused(text)
	}, nil
}
