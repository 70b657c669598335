package bridge

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"

	"github.com/prometheus/client_golang/prometheus"

	"bayfill/bridge/broker"
	"bayfill/bridge/cart"
	"bayfill/bridge/clock"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Options is what a run needs besides the configuration.
type Options struct {
	Log *slog.Logger
	// Speed makes the carts' clocks run faster than real time, for the demo; 0 means 1.
	Speed float64
	// Clock is the clock of all carts when the caller drives it; nil: they have their own.
	Clock *clock.Clock
	// Open replaces the opening of a sensor's serial port, for other transports; nil
	// opens the port.
	Open func(cart, sensor string) (io.ReadWriteCloser, error)
	// ClockSet reports whether the computer's clock was set from outside; nil means yes.
	ClockSet func() bool
	// Manager is notified of start, life and stop; nil when there is none.
	Manager *Manager
}

// Bridge is the running program.
type Bridge struct {
	config  *config.Config
	broker  *broker.Broker // nil with an external one
	history *history.Client
	// monitor is nil unless configured; it serves registry.
	monitor  *monitor
	registry *prometheus.Registry
	manager  *Manager // nil without one
	log      *slog.Logger
	shop     *closing.Shop
	carts    []*cart.Cart
	// forwarders are in the order of the carts; empty without a history.
	forwarders []*history.Forwarder
}

// New opens everything that must be there before measuring starts: the secrets, the
// embedded broker if it is used, the journals, which are replayed, and the monitor's
// listener. Serial ports, an external broker and the history may come later. The error
// names the cart or the setting.
func New(ctx context.Context, config *config.Config, o Options) (b *Bridge, err error) {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if err := CheckFiles(config); err != nil {
		return nil, err
	}
	b = &Bridge{config: config, registry: newRegistry(), manager: o.Manager, log: o.Log}
	opened := b // an error return sets b to nil
	defer func() {
		if err != nil {
			opened.close()
		}
	}()
	to, err := b.openBroker(o.Log)
	if err != nil {
		return nil, err
	}
	if config.History.URL != "" {
		if b.history, err = history.Open(config.History, len(config.Carts)); err != nil {
			return nil, err
		}
	}
	others := askOthers(ctx, config, to, o.Log)
	fluids := config.FluidsByName()
	b.shop = closing.NewShop(&config.Stock)
	for i := range config.Carts {
		if err = b.addCart(ctx, &config.Carts[i], fluids, to, others, o); err != nil {
			return nil, words.NewError("record.cart", "cart", config.Carts[i].Name, "why", err)
		}
	}
	if config.Monitor.Listen != "" {
		if b.monitor, err = openMonitor(config.Monitor.Listen, b.loops(), b.registry, o.Log.With("part", "monitor")); err != nil {
			return nil, err
		}
	}
	return b, nil
}

// openBroker returns the endpoint for the carts: the configured broker, or the embedded
// one, which it starts.
func (b *Bridge) openBroker(log *slog.Logger) (to mqtt.Endpoint, err error) {
	c := b.config.Broker
	to = mqtt.Endpoint{URLs: c.External(), Username: c.Username}
	if to.Password, err = c.Password.Read(); err != nil {
		return to, fmt.Errorf("broker.password: %w", err)
	}
	if to.TLS, err = c.TLS(); err != nil {
		return to, err
	}
	if len(to.URLs) == 0 {
		if b.broker, err = broker.Start(c, log.With("part", "broker")); err != nil {
			return to, err
		}
		b.broker.Register(b.registry)
		url, secure := b.broker.Endpoint()
		to.URLs, to.TLS = []string{url}, secure
		to.Username, to.Password = b.broker.Login()
	}
	return to, nil
}

// addCart opens a cart, and its forwarder if there is a history.
func (b *Bridge) addCart(ctx context.Context, config *config.Cart, fluids map[string]fillcalc.Fluid, to mqtt.Endpoint, others *others, o Options) error {
	log := o.Log.With("cart", config.Name)
	own := cart.Options{Fluids: fluids, Shop: b.shop, Broker: to, Log: log, Speed: o.Speed, Clock: o.Clock, ClockSet: o.ClockSet, History: b.history != nil, Newest: others.newest}
	if o.Open != nil {
		own.Open = func(sensor string) (io.ReadWriteCloser, error) { return o.Open(config.Name, sensor) }
	}
	c, err := cart.New(ctx, b.config, config, own)
	if err != nil {
		return err
	}
	b.carts = append(b.carts, c)
	if b.history == nil {
		c.Register(b.registry, nil)
		return nil
	}
	report, err := c.WatchHistory(ctx)
	if err != nil {
		return err
	}
	f, err := history.NewForwarder(b.config.Shop, config.Name, b.config.History.BetweenJobs, c.Journal(), b.history, c.Grown(), report, log)
	if err != nil {
		return err
	}
	b.forwarders = append(b.forwarders, f)
	c.Register(b.registry, f.SentSeq.Load)
	return nil
}

// Run runs the carts and everything around them until ctx ends, and returns when all of
// it has ended and is closed.
func (b *Bridge) Run(ctx context.Context) error {
	// The carts stop first, since they publish to their end; then the links say goodbye;
	// the broker stops last.
	linkCtx, stopLinks := context.WithCancel(context.WithoutCancel(ctx))
	defer stopLinks()
	var carts, others sync.WaitGroup
	errs := make([]error, len(b.carts))
	for i, c := range b.carts {
		carts.Go(func() { errs[i] = c.Run(ctx) })
		others.Go(func() { c.RunLink(linkCtx) })
	}
	for _, f := range b.forwarders {
		others.Go(func() { f.Run(ctx) })
	}
	if b.monitor != nil {
		others.Go(func() { b.monitor.run(ctx) })
	}
	if b.manager != nil {
		others.Go(func() { b.manager.run(ctx, b.loops(), b.log) })
	}
	carts.Wait()
	stopLinks()
	others.Wait()
	return errors.Join(append(errs, b.close())...)
}

// close closes what New opened.
func (b *Bridge) close() error {
	var errs []error
	for _, c := range b.carts {
		errs = append(errs, c.Close())
	}
	if b.history != nil {
		b.history.Close()
	}
	if b.monitor != nil {
		errs = append(errs, b.monitor.close())
	}
	if b.broker != nil {
		errs = append(errs, b.broker.Close())
	}
	return errors.Join(errs...)
}

// BrokerURL is the URL of the carts' broker.
func (b *Bridge) BrokerURL() string { return b.carts[0].BrokerURL() }

// Cart returns a cart by its name; nil for an unknown one.
func (b *Bridge) Cart(name string) *cart.Cart {
	for _, c := range b.carts {
		if c.Name() == name {
			return c
		}
	}
	return nil
}

// loops returns the carts' loops for health and the service manager.
func (b *Bridge) loops() (loops []loop) {
	for _, c := range b.carts {
		loops = append(loops, loop{c.Name(), c.Running(), c.SinceTurn})
	}
	return loops
}
