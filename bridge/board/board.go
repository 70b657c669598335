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
	"bayfill/bridge/words"
)

// Config configures a board.
type Config struct {
	Brokers            []string // as in tcp://127.0.0.1:1883; several are tried in turn
	Username, Password string
	TLS                *tls.Config // for a TLS broker; nil: the authorities that this computer trusts
	Shop               string      // empty: all shops; carts are then named shop/cart
	// MayCommand adds buttons to the page. They send commands with the user's rights.
	MayCommand bool
	// Signer signs the commands; nil: they are not signed.
	Signer *wire.Signer
	// PagePassword is asked from every browser, with any user name; empty: no password.
	PagePassword string
	// Reader is the language and the units of a screen that has not chosen its own.
	Reader words.Reader
	// Names are the host names of this computer that browsers may use, besides localhost
	// and IP addresses.
	Names []string
}

// Check returns what is wrong with the configuration. The error names the field.
func (c Config) Check() error {
	if len(c.Brokers) == 0 {
		return errors.New("broker: give its address, as in tcp://127.0.0.1:1883")
	}
	for _, address := range c.Brokers {
		if err := mqtt.CheckAddress(address); err != nil {
			return fmt.Errorf("broker: %w: give username and password", err)
		}
		if u, err := url.Parse(address); err != nil || u.Scheme == "" || u.Host == "" {
			return fmt.Errorf("broker: %q must be an address like tcp://127.0.0.1:1883", address)
		}
	}
	if c.Shop != "" && !namePattern.MatchString(c.Shop) {
		return fmt.Errorf("shop: %q must be the shop's name in the bridge's configuration: 1 to 32 of the characters a-z 0-9 - _", c.Shop)
	}
	return nil
}

// Board is the running page.
type Board struct {
	config Config
	hub    *hub
	client *client
	token  string // of this run; a press must contain it
}

// maxConnections is the max number of connections from browsers. Each open page holds
// one.
const maxConnections = 128

// Run serves the page on the listener until ctx ends. It returns when every goroutine
// that it started has ended. It waits for a broker that is away.
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
		// Without this a shutdown would wait for the streams of open pages.
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	var running sync.WaitGroup
	running.Go(func() { b.client.run(ctx) })
	running.Go(func() {
		<-ctx.Done()
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if server.Shutdown(grace) != nil {
			server.Close()
		}
	})
	err := server.Serve(netutil.LimitListener(listener, maxConnections))
	stop()
	running.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("board: %w", err)
}
