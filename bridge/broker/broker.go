package broker

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"fmt"
	"log/slog"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/net/netutil"

	"bayfill/bridge/config"
	"bayfill/bridge/wire"
)

// Broker is the running broker.
type Broker struct {
	server   *mqttd.Server
	listener listeners.Listener
	conns    *boundedListener
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
	b := &Broker{password: rand.Text()}
	a := &access{users: map[string]identity{bridgeUser: {password: sha256.Sum256([]byte(b.password)), bridge: true}}, open: len(c.Users) == 0}
	for i, u := range c.Users {
		secret, err := c.UserPassword(i)
		if err != nil {
			return nil, err
		}
		a.users[u.Name] = identity{password: sha256.Sum256([]byte(secret)), may: u.May, carts: u.Carts}
	}
	capabilities := mqttd.NewDefaultServerCapabilities()
	// By default the library deletes retained messages after a day.
	capabilities.MaximumMessageExpiryInterval = math.MaxInt32
	capabilities.MaximumPacketSize = 64 << 10
	capabilities.MaximumClients = maxClients
	b.server = mqttd.New(&mqttd.Options{Logger: log, Capabilities: capabilities, SysTopicResendInterval: 60})
	if err := b.server.AddHook(a, nil); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return nil, fmt.Errorf("broker.listen: %w", err)
	}
	b.conns = &boundedListener{Listener: netutil.LimitListener(listener, maxClients), open: map[*conn]bool{}}
	var endpoint net.Listener = b.conns
	if c.CertFile != "" {
		certificate, err := config.Certificate(c.CertFile, c.KeyFile)
		if err != nil {
			listener.Close()
			return nil, fmt.Errorf("broker.cert_file: %w", err)
		}
		b.certificate = &certificate
		endpoint = tls.NewListener(b.conns, &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{certificate}})
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

const (
	maxClients = 256 // bounds the memory that clients can take
	// ConnectWithin is how long a new connection may take to authenticate.
	ConnectWithin = 5 * time.Second
	// closeWithin is how long a connection may take to end when the broker closes.
	closeWithin = 250 * time.Millisecond
)

// boundedListener accepts a bounded number of connections and gives each a deadline to
// authenticate. The library counts authenticated clients only, waits for the others for
// ever, even when it closes, and stops listening for good when descriptors run out.
type boundedListener struct {
	net.Listener

	mu     sync.Mutex
	open   map[*conn]bool
	closed bool // for good: every connection is closed at once
}

// conn is a connection that the listener knows until it is closed.
type conn struct {
	net.Conn
	listener *boundedListener
}

func (l *boundedListener) Accept() (net.Conn, error) {
	accepted, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	accepted.SetDeadline(time.Now().Add(ConnectWithin)) // the library sets another one once it knows the client
	c := &conn{accepted, l}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		accepted.Close()
	} else {
		l.open[c] = true
	}
	return c, nil
}

func (c *conn) Close() error {
	c.listener.mu.Lock()
	delete(c.listener.open, c)
	c.listener.mu.Unlock()
	return c.Conn.Close()
}

// closeAll closes every open connection, and from then on every new one.
func (l *boundedListener) closeAll() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	for c := range l.open {
		c.Conn.Close()
	}
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
	rest := time.AfterFunc(closeWithin, b.conns.closeAll)
	defer rest.Stop()
	return b.server.Close()
}

// identity is a user's password, hashed, and rights.
type identity struct {
	password [sha256.Size]byte
	may      []string // read, command
	carts    []string // empty: all
	bridge   bool     // the program itself
}

// covers reports whether a topic, or a filter for topics, concerns one of the user's
// carts. A wildcard passes, since each message that it matches is checked again.
func (i *identity) covers(topic string) bool {
	parts := strings.Split(topic, "/")
	if at := slices.Index(parts, "#"); len(i.carts) == 0 || at >= 0 && at <= 2 {
		return true
	}
	return len(parts) > 2 && (parts[2] == "+" || slices.Contains(i.carts, parts[2]))
}

// access decides who may do what, and refuses what no rule allows. It is the only hook
// that decides: the library combines hooks with OR, so that a second hook could allow
// what this one refuses.
type access struct {
	mqttd.HookBase
	users map[string]identity
	open  bool     // no users are configured: anonymous reading
	carts sync.Map // client ids of the bridge's own connections
}

func (a *access) ID() string { return "access" }

func (a *access) Provides(what byte) bool {
	return bytes.Contains([]byte{mqttd.OnConnectAuthenticate, mqttd.OnACLCheck}, []byte{what})
}

func (a *access) OnConnectAuthenticate(cl *mqttd.Client, pk packets.Packet) bool {
	name := string(pk.Connect.Username)
	who, known := a.users[name]
	given := sha256.Sum256(pk.Connect.Password)
	switch {
	case known && subtle.ConstantTimeCompare(given[:], who.password[:]) == 0:
		return false
	case !known && !(a.open && name == "" && len(pk.Connect.Password) == 0):
		return false
	case who.bridge:
		a.carts.Store(cl.ID, true)
		return true
	}
	// A client that connects with a client id in use ends the other connection.
	if _, taken := a.carts.Load(cl.ID); taken {
		return false
	}
	// The library publishes a will without checking access again.
	return !pk.Connect.WillFlag || a.OnACLCheck(cl, pk.Connect.WillTopic, true)
}

func (a *access) OnACLCheck(cl *mqttd.Client, topic string, write bool) bool {
	who, known := a.users[string(cl.Properties.Username)]
	switch {
	case known && who.bridge:
		return true
	case !who.covers(topic):
		return false
	case !write:
		// Readers may read everything below bayfill/ except commands.
		reads := known && slices.Contains(who.may, "read") || !known && a.open
		return reads && strings.HasPrefix(topic, "bayfill/") && !CommandTopic(topic)
	default:
		return known && slices.Contains(who.may, "command") && CommandTopic(topic)
	}
}

// CommandTopic reports whether a topic is bayfill/{shop}/{cart}/commands.
func CommandTopic(topic string) bool {
	parts := strings.Split(topic, "/")
	return len(parts) == 4 && parts[0] == "bayfill" && parts[3] == string(wire.CommandsLeaf)
}
