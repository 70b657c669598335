package bridge

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Version of the program; set by the linker in a release.
var Version = "0.1-dev"

// Options are what a run has besides the configuration.
type Options struct {
	Log *slog.Logger
	// Speed lets the carts' clocks run faster than life, for the demo; 0 means 1.
	Speed float64
	// Open replaces the opening of a sensor's serial port, for transports that are
	// none.
	Open func(cart, sensor string) (io.ReadWriteCloser, error)
	// ClockSet tells whether the computer's clock has been set from outside; nil: it
	// counts as set.
	ClockSet func() bool
	// Manager is told how the program fares; nil: there is none.
	Manager *Manager
}

// Bridge is the running program.
type Bridge struct {
	config  *Config
	serial  bool    // the sensors are on serial ports
	broker  *Broker // nil with an external one
	history *history
	// monitor is nil unless configured; registry is what it shows.
	monitor  *monitor
	registry *prometheus.Registry
	manager  *Manager // nil without one
	log      *slog.Logger
	carts    []*cart
	// forwarders in the order of the carts; empty without a history.
	forwarders []*forwarder
}

// keepJournal is how long a journal keeps what history and fold no longer need.
const keepJournal = 7 * 24 * time.Hour

// New opens everything that must be there before measuring starts: the journals
// (replayed), the embedded broker if it is used, the secrets. Ports, an
// external broker and the history may come later.
func New(ctx context.Context, config *Config, o Options) (b *Bridge, err error) {
	if o.Speed == 0 {
		o.Speed = 1
	}
	b = &Bridge{config: config, serial: o.Open == nil, registry: newRegistry(), manager: o.Manager, log: o.Log}
	opened := b // an error returns nil in its place
	defer func() {
		if err != nil {
			opened.close()
		}
	}()
	to := address{url: config.Broker.URL, username: config.Broker.Username}
	if to.password, err = config.Broker.Password.Read(); err != nil {
		return nil, fmt.Errorf("broker.password: %w", err)
	}
	if to.tlsConfig, err = config.Broker.TLS(); err != nil {
		return nil, err
	}
	if config.Broker.URL == "" {
		if b.broker, err = StartBroker(config.Broker, o.Log.With("part", "broker")); err != nil {
			return nil, err
		}
		to.url, to.tlsConfig = b.broker.way()
		to.username, to.password = bridgeUser, b.broker.password
	}
	if config.History.URL != "" {
		if b.history, err = openHistory(config.History, len(config.Carts)); err != nil {
			return nil, err
		}
	}
	fluids := config.FluidsByName()
	for i := range config.Carts {
		if err = b.addCart(ctx, &config.Carts[i], fluids, to, o); err != nil {
			return nil, fmt.Errorf("cart %s: %w", config.Carts[i].Name, err)
		}
	}
	if config.Monitor.Listen != "" {
		if b.monitor, err = openMonitor(config.Monitor.Listen, b.carts, b.registry, o.Log.With("part", "monitor")); err != nil {
			return nil, err
		}
	}
	return b, nil
}

func (b *Bridge) addCart(ctx context.Context, config *CartConfig, fluids map[string]fillcalc.Fluid, to address, o Options) error {
	log := o.Log.With("cart", config.Name)
	journal, err := OpenJournal(b.config.JournalPath(config.Name))
	if err != nil {
		return err
	}
	c := &cart{
		config: config, fluids: fluids, serviceData: b.config.ServiceData, journal: journal,
		clockSet: o.ClockSet, log: log, keep: keepJournal, most: b.config.Journal.most(), mostUnsaved: mostUnsaved,
		inbox: make(chan happening, 1024), commands: make(chan incoming, 16), written: make(chan outcome, 1),
		alerts: map[string]Alert{}, frames: map[string]frameTrouble{}, meter: newMeter(), running: make(chan struct{}),
	}
	c.calibrations, c.troubles = b.config.lastCalibrations(config)
	b.carts = append(b.carts, c)
	key, err := b.config.identityKey()
	if err != nil {
		return err
	}
	kept, err := journal.Names(ctx)
	if err != nil {
		return err
	}
	c.identities = identities{key: key, keep: b.config.Identities, current: kept}
	if err := c.begin(ctx, time.Now().UnixNano(), o.Speed); err != nil {
		return err
	}
	for i := range config.Sensors {
		d, err := config.Sensors[i].sensor(c.clock)
		if err != nil {
			return err
		}
		if o.Open != nil {
			d.Open = func() (io.ReadWriteCloser, error) { return o.Open(config.Name, d.Name) }
		}
		c.drivers = append(c.drivers, d)
	}
	c.link = newLink(to, b.config.Shop, config.Name, c.commands, c.tell("broker"))
	c.alert("snapshot", c.unreplayed)
	given, err := journal.givenUp()
	if err != nil {
		return err
	}
	c.tellGivenUp(given)
	commandKey, err := b.config.commandKey()
	if err != nil {
		return err
	}
	if c.seal, err = newSeal(commandKey, c.link.topic(CommandsLeaf), journal); err != nil {
		return err
	}
	var f *forwarder
	if b.history != nil {
		told, toldRefused := c.tell("history"), c.tell("history_refused")
		refused, err := journal.boundAside(ctx)
		if err != nil {
			return err
		}
		c.alert("history_refused", refused)
		looked := time.Now()
		c.forward = make(chan struct{}, 1)
		f = &forwarder{
			shop: b.config.Shop, cart: config.Name, journal: journal, history: b.history, log: log, more: c.forward,
			told: func(trouble string, n int) {
				told(trouble)
				c.meter.refusedLines.Add(float64(n))
				if n == 0 && time.Since(looked) < time.Hour || ctx.Err() != nil {
					return
				}
				looked = time.Now()
				text, err := journal.boundAside(ctx)
				if err != nil {
					log.Warn("lines that the history refused are not counted", "error", err)
					return
				}
				toldRefused(text)
			},
		}
		sent, err := journal.Sent()
		if err != nil {
			return err
		}
		f.sentSeq.Store(sent)
		b.forwarders = append(b.forwarders, f)
	}
	c.meter.register(b.registry, c, b.config.JournalPath(config.Name), f)
	return nil
}

// tell hands an alert's text to the cart from another goroutine, when it has
// changed. It waits for a cart with a full inbox, since a link that has come
// back says so only once; but not for ever, since the cart may have ended.
func (c *cart) tell(kind string) func(text string) {
	last := ""
	return func(text string) {
		if text == last {
			return
		}
		select {
		case c.inbox <- happening{alert: kind, text: text}:
			last = text
		case <-time.After(time.Second):
		}
	}
}

// Run works until ctx ends, and returns when everything it started has ended.
func (b *Bridge) Run(ctx context.Context) error {
	if b.serial {
		if err := sensors.LimitDescriptors(); err != nil {
			return err
		}
	}
	// The carts stop first, since they still have something to say; then the
	// links say goodbye; the broker goes last.
	linkCtx, stopLinks := context.WithCancel(context.WithoutCancel(ctx))
	defer stopLinks()
	var carts, others sync.WaitGroup
	errs := make([]error, len(b.carts))
	for i, c := range b.carts {
		carts.Go(func() { errs[i] = c.run(ctx) })
		others.Go(func() { c.link.run(linkCtx) })
	}
	for _, f := range b.forwarders {
		others.Go(func() { f.run(ctx) })
	}
	if b.monitor != nil {
		others.Go(func() { b.monitor.run(ctx) })
	}
	if b.manager != nil {
		others.Go(func() { b.manager.run(ctx, b.carts, b.log) })
	}
	carts.Wait()
	stopLinks()
	others.Wait()
	return errors.Join(append(errs, b.close())...)
}

func (b *Bridge) close() error {
	var errs []error
	for _, c := range b.carts {
		errs = append(errs, c.journal.Close())
	}
	if b.history != nil {
		b.history.close()
	}
	if b.monitor != nil {
		errs = append(errs, b.monitor.close())
	}
	if b.broker != nil {
		errs = append(errs, b.broker.Close())
	}
	return errors.Join(errs...)
}

// BrokerURL is the broker that the carts talk to.
func (b *Bridge) BrokerURL() string { return b.carts[0].link.url }
