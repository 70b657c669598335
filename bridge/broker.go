package bridge

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Broker is the embedded MQTT broker. The bridge itself connects to it like
// everybody else, so that an external broker is no different case.
type Broker struct {
	server   *mqttd.Server
	listener *listeners.TCP
	// password is the bridge's own, made anew at each start.
	password string
}

// bridgeUser may not be configured as a user: the colon is refused there.
const bridgeUser = "bayfill:bridge"

// StartBroker listens on the configured address. Without configured users
// anybody on the machine may read, and nobody may command.
func StartBroker(c BrokerConfig, log *slog.Logger) (*Broker, error) {
	b := &Broker{password: rand.Text()}
	a := &access{users: map[string]identity{bridgeUser: {sha256.Sum256([]byte(b.password)), nil, true}}, open: len(c.Users) == 0}
	for i, u := range c.Users {
		secret, err := u.Password.Read()
		if err != nil {
			return nil, fmt.Errorf("broker.users[%d].password: %w", i, err)
		}
		if secret == "" || strings.Contains(u.Name, ":") {
			return nil, fmt.Errorf("broker.users[%d]: the name may hold no colon and the password may not be empty", i)
		}
		a.users[u.Name] = identity{sha256.Sum256([]byte(secret)), u.May, false}
	}
	capabilities := mqttd.NewDefaultServerCapabilities()
	// Retained state stays: the library forgets it after a day otherwise.
	capabilities.MaximumMessageExpiryInterval = math.MaxInt32
	capabilities.MaximumPacketSize = 64 << 10
	capabilities.MaximumClients = 256 // they count against the serial library's limit on descriptors
	b.server = mqttd.New(&mqttd.Options{Logger: log, Capabilities: capabilities, SysTopicResendInterval: 60})
	if err := b.server.AddHook(a, nil); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	b.listener = listeners.NewTCP(listeners.Config{ID: "tcp", Address: c.Listen})
	if err := b.server.AddListener(b.listener); err != nil {
		return nil, fmt.Errorf("broker.listen: %w", err)
	}
	if err := b.server.Serve(); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	return b, nil
}

// Address is where the broker listens, as host:port.
func (b *Broker) Address() string { return b.listener.Address() }

// Close ends the broker and its connections.
func (b *Broker) Close() error { return b.server.Close() }

// identity is one user: its password's hash, and what it may do.
type identity struct {
	password [sha256.Size]byte
	may      []string
	bridge   bool
}

// access decides who may do what. It is the only hook that answers: hooks are
// OR-ed, and a second one that allows would undo it. What no rule names is
// refused.
type access struct {
	mqttd.HookBase
	users map[string]identity
	open  bool // no users configured: anonymous reading
}

func (a *access) ID() string { return "access" }

func (a *access) Provides(what byte) bool {
	return bytes.Contains([]byte{mqttd.OnConnectAuthenticate, mqttd.OnACLCheck}, []byte{what})
}

func (a *access) OnConnectAuthenticate(cl *mqttd.Client, pk packets.Packet) bool {
	name := string(pk.Connect.Username)
	who, known := a.users[name]
	if !known {
		return a.open && name == "" && len(pk.Connect.Password) == 0
	}
	given := sha256.Sum256(pk.Connect.Password)
	return subtle.ConstantTimeCompare(given[:], who.password[:]) == 1
}

func (a *access) OnACLCheck(cl *mqttd.Client, topic string, write bool) bool {
	who, known := a.users[string(cl.Properties.Username)]
	switch {
	case known && who.bridge:
		return true
	case !write:
		// Everything below bayfill/ is for readers; commands are not.
		reads := known && slices.Contains(who.may, "read") || !known && a.open
		return reads && strings.HasPrefix(topic, "bayfill/") && !commandTopic(topic)
	default:
		return known && slices.Contains(who.may, "command") && commandTopic(topic)
	}
}

// commandTopic tells bayfill/{shop}/{cart}/commands.
func commandTopic(topic string) bool {
	parts := strings.Split(topic, "/")
	return len(parts) == 4 && parts[0] == "bayfill" && parts[3] == string(CommandsLeaf)
}
