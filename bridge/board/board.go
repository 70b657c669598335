package board

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	"golang.org/x/net/netutil"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// Config is what a board has to know.
type Config struct {
	Broker             string // as in tcp://127.0.0.1:1883
	Username, Password string
	TLS                *tls.Config // of an ssl:// broker; nil: as this computer trusts
	Shop               string      // empty: all shops; carts are then named shop/cart
	// MayCommand gives the page buttons, which send with the user's rights.
	MayCommand bool
	// Signer signs what they send; nil: it goes unsigned.
	Signer *wire.Signer
	// PagePassword is asked from every browser, with any user name; empty: none is.
	PagePassword string
	// Names by which browsers may call this computer, besides localhost and its
	// addresses.
	Names []string
}

// Check tells what is wrong with the configuration.
func (c Config) Check() error {
	if err := mqtt.CheckAddress(c.Broker); err != nil {
		return fmt.Errorf("broker: %w: give username and password", err)
	}
	if u, err := url.Parse(c.Broker); err != nil || u.Scheme == "" || u.Host == "" {
		return fmt.Errorf("broker: %q is no address like tcp://127.0.0.1:1883", c.Broker)
	}
	if c.Shop != "" && !namePattern.MatchString(c.Shop) {
		return fmt.Errorf("shop: %q is no shop's name as in the bridge's configuration", c.Shop)
	}
	return nil
}

// Board is the running page.
type Board struct {
	config Config
	hub    *hub
	client *client
	token  string // of this run; presses must carry it
}

// mostConnections counts the browsers' connections, of which each open page
// holds one.
const mostConnections = 128

// Run serves the page on the listener until ctx ends, and returns when everything
// it started has ended. A broker that is away is waited for.
func Run(ctx context.Context, config Config, listener net.Listener) error {
	if err := config.Check(); err != nil {
		return err
	}
	b := newBoard(config)
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	server := &http.Server{
		Handler:           b.handler(),
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    16 << 10,
		// Open pages end with ctx, or a shutdown would wait for them.
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	var running sync.WaitGroup
	running.Go(func() { b.client.run(ctx) })
	running.Go(func() { b.tick(ctx) })
	running.Go(func() {
		<-ctx.Done()
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if server.Shutdown(grace) != nil {
			server.Close()
		}
	})
	err := server.Serve(netutil.LimitListener(listener, mostConnections))
	stop()
	running.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("board: %w", err)
}

// tick lets the trends grow, once a second.
func (b *Board) tick(ctx context.Context) {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case now := <-t.C:
			b.hub.tick(now)
		}
	}
}
