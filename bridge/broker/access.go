package broker

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"log/slog"
	"slices"
	"strings"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"bayfill/bridge/door"
	"bayfill/bridge/wire"
)

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
	server  *mqttd.Server
	users   map[string]identity
	open    bool   // no users are configured: anonymous reading
	found   string // announcements of the carts are below; empty: there are none
	guesses *door.Guesses
	unacked unacked
	log     *slog.Logger
}

func (a *access) ID() string { return "access" }

func (a *access) Provides(what byte) bool {
	return slices.Contains([]byte{mqttd.OnConnectAuthenticate, mqttd.OnACLCheck, mqttd.OnSubscribe, mqttd.OnPublish,
		mqttd.OnQosPublish, mqttd.OnDisconnect}, what)
}

// OnConnectAuthenticate lets a client in. It waits first when wrong passwords came from
// there before; only the bridge, whose password nobody can guess, never waits.
func (a *access) OnConnectAuthenticate(cl *mqttd.Client, pk packets.Packet) bool {
	c := underTLS(cl.Net.Conn)
	name := string(pk.Connect.Username)
	who, known := a.users[name]
	given := sha256.Sum256(pk.Connect.Password)
	right := subtle.ConstantTimeCompare(given[:], who.password[:]) == 1 && known ||
		!known && a.open && name == "" && len(pk.Connect.Password) == 0
	from := door.Origin{Address: c.address}
	if known {
		from.User = name
	}
	if !(right && who.bridge) && !a.guesses.Wait(from, c.ended) {
		return a.turnAway(cl, name, errors.New("too many wrong passwords from this address"), packets.ErrServerUnavailable)
	}
	if !right {
		n := a.guesses.Failed(from, known)
		// For programs that ban addresses: the text and the names are kept.
		a.log.Warn("login refused", "address", c.address, "user", shortened(name), "failures", n)
		return false
	}
	// The library publishes a will without checking access again.
	if pk.Connect.WillFlag && !a.OnACLCheck(cl, pk.Connect.WillTopic, true) {
		return a.turnAway(cl, name, errors.New("the will's topic is not this user's to write"), packets.ErrBadUsernameOrPassword)
	}
	switch err := c.gate.admit(c, holder{user: name, id: cl.ID, bridge: who.bridge, mayCommand: who.bridge || slices.Contains(who.may, "command")}); {
	case errors.Is(err, errIDInUse):
		return a.turnAway(cl, name, err, packets.ErrClientIdentifierNotValid)
	case err != nil:
		return a.turnAway(cl, name, err, packets.ErrServerUnavailable)
	}
	if !who.bridge {
		bound(cl)
	}
	return true
}

// turnAway refuses a client for another reason than its password, which is all that the
// library could say.
func (a *access) turnAway(cl *mqttd.Client, user string, why error, code packets.Code) bool {
	a.log.Warn("connection refused", "address", underTLS(cl.Net.Conn).address, "user", shortened(user), "reason", why.Error())
	a.server.SendConnack(cl, code, false, nil)
	cl.Stop(code)
	return false
}

func (a *access) OnACLCheck(cl *mqttd.Client, topic string, write bool) bool {
	who, known := a.users[string(cl.Properties.Username)]
	switch {
	case known && who.bridge:
		return true
	case !who.covers(topic):
		return false
	case !write:
		// Readers may read everything below bayfill/ except commands, and announcements.
		reads := known && slices.Contains(who.may, "read") || !known && a.open
		announced := a.found != "" && strings.HasPrefix(topic, a.found+"/")
		return reads && (announced || strings.HasPrefix(topic, "bayfill/") && !CommandTopic(topic))
	default:
		return known && slices.Contains(who.may, "command") && CommandTopic(topic)
	}
}

// CommandTopic reports whether a topic is bayfill/{shop}/{cart}/commands.
func CommandTopic(topic string) bool {
	parts := strings.Split(topic, "/")
	return len(parts) == 4 && parts[0] == "bayfill" && parts[3] == string(wire.CommandsLeaf)
}
