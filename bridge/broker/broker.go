package broker

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"time"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"bayfill/bridge/config"
	"bayfill/bridge/door"
	"bayfill/bridge/words"
)

// Broker is the running broker.
type Broker struct {
	server   *mqttd.Server
	listener listeners.Listener
	gate     *gate
	guesses  *door.Guesses
	// password is the bridge's own, a new one at each start.
	password    string
	certificate *tls.Certificate // nil: plain TCP
}

// bridgeUser is the bridge's own user. The configuration refuses names with a colon, so
// no configured user has this name.
const bridgeUser = "bayfill:bridge"

// Start listens on the configured address. Without configured users everybody on the
// computer may read and nobody may command. The error names the field of the
// configuration.
func Start(c config.Broker, log *slog.Logger) (*Broker, error) {
	b := &Broker{password: rand.Text(), guesses: door.NewGuesses()}
	a := &access{users: map[string]identity{bridgeUser: {password: sha256.Sum256([]byte(b.password)), bridge: true}},
		open: len(c.Users) == 0, found: c.Discovery.Prefix, guesses: b.guesses, unacked: unacked{bytes: map[*mqttd.Client]int{}}, log: log}
	for i, u := range c.Users {
		secret, err := c.UserPassword(i)
		if err != nil {
			return nil, err
		}
		a.users[u.Name] = identity{password: sha256.Sum256([]byte(secret)), may: u.May, carts: u.Carts}
	}
	b.server = mqttd.New(&mqttd.Options{Logger: slog.New(quiet{log.Handler()}), Capabilities: capabilities(), SysTopicResendInterval: 60})
	a.server = b.server
	if err := b.server.AddHook(a, nil); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	listener, err := door.TCP(c.Listen)
	if errors.Is(err, door.ErrInUse) {
		err = words.NewError("reach.own_broker", "why", err)
	}
	if err != nil {
		return nil, fmt.Errorf("broker.listen: %w", err)
	}
	b.gate = newGate(listener, log)
	var endpoint net.Listener = b.gate
	if c.CertFile != "" {
		certificate, err := config.Certificate(c.CertFile, c.KeyFile)
		if err != nil {
			listener.Close()
			return nil, fmt.Errorf("broker.cert_file: %w", err)
		}
		b.certificate = &certificate
		endpoint = tls.NewListener(b.gate, &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{certificate}})
	}
	b.listener = &closingListener{listeners.NewNet("tcp", endpoint), b.server}
	if err := b.server.AddListener(b.listener); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	if err := b.server.Serve(); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	return b, nil
}

// capabilities are the library's limits.
func capabilities() *mqttd.Capabilities {
	c := mqttd.NewDefaultServerCapabilities()
	// By default the library deletes retained messages after a day.
	c.MaximumMessageExpiryInterval = math.MaxInt32
	c.MaximumPacketSize = 64 << 10
	c.MaximumSessionExpiryInterval = 0
	c.TopicAliasMaximum = 0
	return c
}

// closingListener disconnects the clients itself. The library lists them under a lock
// that it takes twice, and blocks for ever when a client leaves in between.
type closingListener struct {
	*listeners.Net
	server *mqttd.Server
}

// Close disconnects all clients and ends the listener.
func (l *closingListener) Close(listeners.CloseFn) {
	l.Net.Close(func(string) {
		for _, c := range l.server.Clients.GetAll() {
			if !c.Closed() {
				_ = l.server.DisconnectClient(c, packets.ErrServerShuttingDown) // the connection is closed either way
			}
		}
	})
}

// Endpoint returns where and how the bridge itself connects. t is nil for plain TCP.
func (b *Broker) Endpoint() (url string, t *tls.Config) {
	if b.certificate == nil {
		return "tcp://" + b.Address(), nil
	}
	return "tls://" + b.Address(), config.OnlyCertificate(b.certificate)
}

// Login returns the user name and password of the bridge itself.
func (b *Broker) Login() (username, password string) { return bridgeUser, b.password }

// Address returns where the broker listens, as host:port.
func (b *Broker) Address() string { return b.listener.Address() }

// Close ends the broker and all connections. The library disconnects the clients that it
// knows and would wait for the other connections, which are closed after a moment.
func (b *Broker) Close() error {
	rest := time.AfterFunc(closeWithin, b.gate.closeAll)
	defer rest.Stop()
	err := b.server.Close()
	b.gate.closeAll()
	b.gate.writers.Wait()
	return err
}
