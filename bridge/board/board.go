package board

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	"bayfill/bridge/door"
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
	// Log receives wrong page passwords; nil: they are not logged.
	Log *slog.Logger
	// Names are the host names of this computer that browsers may use, besides localhost
	// and IP addresses.
	Names []string
}

// Check returns what is wrong with the configuration. The error names the field.
func (c Config) Check() error {
	if len(c.Brokers) == 0 {
		return words.NewError("usage.no_broker")
	}
	for _, address := range c.Brokers {
		if err := mqtt.CheckAddress(address); err != nil {
			return words.NewError("usage.broker_secret", "why", err)
		}
		if u, err := url.Parse(address); err != nil || u.Scheme == "" || u.Host == "" {
			return words.NewError("usage.broker_address", "typed", address)
		}
	}
	if c.Shop != "" && !namePattern.MatchString(c.Shop) {
		return words.NewError("usage.shop_name", "typed", c.Shop)
	}
	return nil
}

// connKey is the key of a request's connection in its context.
type connKey struct{}

// Board is the running page.
type Board struct {
	config  Config
	guesses *door.Guesses // of the page's password
	hub     *hub
	client  *client
	token   string // of this run; a press must contain it
}

const (
	// maxPages is the max number of open pages, each of which holds a connection.
	maxPages          = 128
	maxPagesOfAddress = 96 // others may sit behind one address, such as a proxy's
	// maxRequests is the max number of other connections. One more ends the oldest of the
	// address that has most of them.
	maxRequests = 64
)

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
		ConnContext:       func(ctx context.Context, c net.Conn) context.Context { return context.WithValue(ctx, connKey{}, c) },
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
	err := server.Serve(&door.Seats{Listener: listener, MaxWaiting: maxRequests, MaxStay: maxPagesOfAddress, MaxStayAll: maxPages})
	stop()
	running.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("board: %w", err)
}
