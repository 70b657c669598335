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

// Broker is the embedded MQTT broker. The bridge itself connects to it like
// everybody else, so that an external broker is no different case.
type Broker struct {
	server   *mqttd.Server
	listener listeners.Listener
	door     *door
	// password is the bridge's own, made anew at each start.
	password    string
	certificate *tls.Certificate // nil: plain TCP
}

// bridgeUser cannot be configured as a user: names with a colon are refused.
const bridgeUser = "bayfill:bridge"

// StartBroker listens on the configured address. Without configured users
// anybody on the machine may read, and nobody may command.
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
	// Retained state stays: the library forgets it after a day otherwise.
	capabilities.MaximumMessageExpiryInterval = math.MaxInt32
	capabilities.MaximumPacketSize = 64 << 10
	capabilities.MaximumClients = mostClients
	b.server = mqttd.New(&mqttd.Options{Logger: log, Capabilities: capabilities, SysTopicResendInterval: 60})
	if err := b.server.AddHook(a, nil); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return nil, fmt.Errorf("broker.listen: %w", err)
	}
	b.door = &door{Listener: netutil.LimitListener(listener, mostClients), inside: map[*visitor]bool{}}
	var way net.Listener = b.door
	if c.CertFile != "" {
		certificate, err := config.Certificate(c.CertFile, c.KeyFile)
		if err != nil {
			listener.Close()
			return nil, fmt.Errorf("broker.cert_file: %w", err)
		}
		b.certificate = &certificate
		way = tls.NewListener(b.door, &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{certificate}})
	}
	b.listener = &farewell{listeners.NewNet("tcp", way), b.server}
	if err := b.server.AddListener(b.listener); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	if err := b.server.Serve(); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	return b, nil
}

const (
	mostClients = 256 // they count against the serial library's limit on descriptors
	// connectWithin is how long a client may take to say who it is.
	ConnectWithin = 5 * time.Second
	// lastWord is how long one may take to go when the broker ends.
	lastWord = 250 * time.Millisecond
)

// door lets connections in: at most so many, and each has to say soon who it is.
// The library counts only who has, waits for ever for the others, also when it
// is to end, and stops listening for good when descriptors run out.
type door struct {
	net.Listener

	mu     sync.Mutex
	inside map[*visitor]bool
	shut   bool // for good: who comes or is still inside is put out
}

// visitor is a connection that the door knows of until it ends.
type visitor struct {
	net.Conn
	door *door
}

func (d *door) Accept() (net.Conn, error) {
	c, err := d.Listener.Accept()
	if err != nil {
		return nil, err
	}
	c.SetDeadline(time.Now().Add(ConnectWithin)) // the library sets another once it knows the client
	v := &visitor{c, d}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.shut {
		c.Close()
	} else {
		d.inside[v] = true
	}
	return v, nil
}

func (v *visitor) Close() error {
	v.door.mu.Lock()
	delete(v.door.inside, v)
	v.door.mu.Unlock()
	return v.Conn.Close()
}

// clear puts everybody out.
func (d *door) clear() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.shut = true
	for v := range d.inside {
		v.Conn.Close()
	}
}

// farewell ends the clients itself: the library asks for them under a lock that it
// takes twice, and waits for ever when one goes in between.
type farewell struct {
	*listeners.Net
	server *mqttd.Server
}

// Close says goodbye to all clients and ends the listener.
func (f *farewell) Close(listeners.CloseFn) {
	f.Net.Close(func(string) {
		for _, c := range f.server.Clients.GetAll() {
			if !c.Closed() {
				_ = f.server.DisconnectClient(c, packets.ErrServerShuttingDown) // it goes either way
			}
		}
	})
}

// way is how the bridge itself comes in.
func (b *Broker) Endpoint() (url string, t *tls.Config) {
	if b.certificate == nil {
		return "tcp://" + b.Address(), nil
	}
	return "tls://" + b.Address(), config.OnlyCertificate(b.certificate)
}

// Login is as whom the bridge itself comes in.
func (b *Broker) Login() (username, password string) { return bridgeUser, b.password }

// Address is where the broker listens, as host:port.
func (b *Broker) Address() string { return b.listener.Address() }

// Close ends the broker and its connections. The library says goodbye to those
// that it knows, and would wait for the others.
func (b *Broker) Close() error {
	others := time.AfterFunc(lastWord, b.door.clear)
	defer others.Stop()
	return b.server.Close()
}

// identity is one user: its password's hash, and what it may do.
type identity struct {
	password [sha256.Size]byte
	may      []string
	carts    []string // none: all
	bridge   bool
}

// meets tells whether a topic, or a filter for topics, is about one of the user's
// carts. A wildcard passes: each message that it brings is looked at again.
func (i *identity) meets(topic string) bool {
	parts := strings.Split(topic, "/")
	if at := slices.Index(parts, "#"); len(i.carts) == 0 || at >= 0 && at <= 2 {
		return true
	}
	return len(parts) > 2 && (parts[2] == "+" || slices.Contains(i.carts, parts[2]))
}

// access decides who may do what. It is the only hook that answers: hooks are
// OR-ed, and a second one that allows would undo it. What no rule names is
// refused.
type access struct {
	mqttd.HookBase
	users map[string]identity
	open  bool     // no users configured: anonymous reading
	carts sync.Map // client ids under which the bridge has come
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
	// Whoever comes under another's client id throws it out.
	if _, taken := a.carts.Load(cl.ID); taken {
		return false
	}
	// A will is published without asking again.
	return !pk.Connect.WillFlag || a.OnACLCheck(cl, pk.Connect.WillTopic, true)
}

func (a *access) OnACLCheck(cl *mqttd.Client, topic string, write bool) bool {
	who, known := a.users[string(cl.Properties.Username)]
	switch {
	case known && who.bridge:
		return true
	case !who.meets(topic):
		return false
	case !write:
		// Everything below bayfill/ is for readers; commands are not.
		reads := known && slices.Contains(who.may, "read") || !known && a.open
		return reads && strings.HasPrefix(topic, "bayfill/") && !CommandTopic(topic)
	default:
		return known && slices.Contains(who.may, "command") && CommandTopic(topic)
	}
}

// commandTopic tells bayfill/{shop}/{cart}/commands.
func CommandTopic(topic string) bool {
	parts := strings.Split(topic, "/")
	return len(parts) == 4 && parts[0] == "bayfill" && parts[3] == string(wire.CommandsLeaf)
}
