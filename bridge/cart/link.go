package cart

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"

	"bayfill/bridge/wire"
)

// link is a cart's connection to the broker. Of every state leaf it keeps the
// newest message only and sends it when it can: an outage leaves no backlog.
// After each connect it subscribes, says that the cart is online and sends all
// leaves again.
//
// The client library sends what was unfinished again after a reconnect, in any
// order and after what is newer. So it is not allowed to reconnect: each
// connection is a new client with an empty store.
type link struct {
	Broker
	clientID string
	prefix   string               // bayfill/{shop}/{cart}/
	commands chan<- incoming      // never blocks: a full queue is answered "busy"
	told     func(trouble string) // empty: connected
	// How soon a link that swallows everything is noticed.
	keepAlive, patience time.Duration

	connected atomic.Bool
	outcomes  *prometheus.CounterVec // of commands

	mu       sync.Mutex
	state    map[wire.Leaf]*slot
	readings [][]byte // newest last; the oldest go when there are too many
	replies  []outgoing
	heard    string // session in which the own presence came back
	wake     chan struct{}

	short int // connections in a row that were soon lost
}

// address is a broker and how to enter.
type Broker struct {
	Url       string
	Username  string
	Password  string
	TlsConfig *tls.Config
}

type slot struct {
	payload []byte
	dirty   bool
}

type outgoing struct {
	topic   string
	payload []byte
}

// incoming is a command as it arrived.
type incoming struct {
	payload  []byte
	retained bool
}

const (
	mostReadings = 1000     // waiting for a slow link: a few seconds of several sensors
	mostReplies  = 1024     // brokers hold about as many commands back for a slow reader
	mostPayload  = 16 << 10 // of a command
	mostNamed    = 1 << 20  // of one that is refused under its own id: looking for it takes time
	keepAlive    = 10 * time.Second
	patience     = 5 * time.Second
	firstRetry   = time.Second
	lastRetry    = 5 * time.Second // ten seconds after a broker is back, all leaves are right
	// soonLost is how short connections are when another client comes under the
	// same id: the broker throws the older one out.
	soonLost = 10 * time.Second
)

func newLink(to Broker, shop, cart string, commands chan<- incoming, told func(trouble string)) *link {
	l := &link{
		Broker: to, clientID: "bayfill-" + shop + "-" + cart, prefix: "bayfill/" + shop + "/" + cart + "/",
		commands: commands, told: told, keepAlive: keepAlive, patience: patience, outcomes: newOutcomes(),
		state: map[wire.Leaf]*slot{}, wake: make(chan struct{}, 1),
	}
	for _, leaf := range wire.StateLeaves {
		l.state[leaf] = &slot{}
	}
	return l
}

// set replaces a state leaf.
func (l *link) set(leaf wire.Leaf, payload []byte) {
	l.mu.Lock()
	*l.state[leaf] = slot{payload, true}
	l.mu.Unlock()
	l.poke()
}

// newest is the newest payload of every state leaf.
func (l *link) newest() map[wire.Leaf]string {
	l.mu.Lock()
	defer l.mu.Unlock()
	all := map[wire.Leaf]string{}
	for leaf, s := range l.state {
		all[leaf] = string(s.payload)
	}
	return all
}

// again makes every leaf due once more.
func (l *link) again() {
	l.mu.Lock()
	for _, s := range l.state {
		s.dirty = s.payload != nil
	}
	l.mu.Unlock()
	l.poke()
}

// sendReading queues a raw reading; when the link is slow, the oldest waiting
// ones are dropped. They are kept in the journal.
func (l *link) sendReading(payload []byte) {
	l.mu.Lock()
	if len(l.readings) == mostReadings {
		l.readings = append(l.readings[:0], l.readings[mostReadings/2:]...)
	}
	l.readings = append(l.readings, payload)
	l.mu.Unlock()
	l.poke()
}

// reply answers a command. A sender that never hears its reply sends the
// command again, under the same id.
func (l *link) reply(id string, r wire.Reply) {
	if r.OK {
		l.count("done")
	} else {
		l.count("refused")
	}
	l.answer(id, r)
}

func (l *link) count(outcome string) { l.outcomes.WithLabelValues(outcome).Inc() }

func (l *link) answer(id string, r wire.Reply) {
	if id == "" {
		id = "refused"
	} else {
		r.ID = &id
	}
	l.replyRaw(id, wire.Encode(r))
}

func (l *link) replyRaw(id string, payload []byte) {
	l.mu.Lock()
	if len(l.replies) == mostReplies {
		l.replies = l.replies[1:]
	}
	l.replies = append(l.replies, outgoing{l.prefix + string(wire.RepliesLeaf) + "/" + id, payload})
	l.mu.Unlock()
	l.poke()
}

func (l *link) poke() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// run keeps a connection until ctx ends; then it says goodbye.
func (l *link) run(ctx context.Context) {
	retry := firstRetry
	for ctx.Err() == nil {
		began := time.Now()
		err := l.connection(ctx)
		if ctx.Err() != nil {
			return
		}
		trouble := fmt.Sprintf("broker %s: %v", l.Url, err)
		if l.short >= 2 {
			trouble += ": " + l.takenOver()
		}
		l.told(trouble)
		if time.Since(began) > 30*time.Second {
			retry = firstRetry
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(retry):
		}
		retry = min(2*retry, lastRetry)
	}
}

func (l *link) topic(leaf wire.Leaf) string { return l.prefix + string(leaf) }

func (l *link) takenOver() string {
	return "each connection is lost at once: another client with the id " + l.clientID + " probably takes over, does a second bridge use these names?"
}

// connection is one client from connect to loss.
func (l *link) connection(ctx context.Context) error {
	soon := l.short
	l.short = 0
	var id [8]byte
	rand.Read(id[:])
	session := hex.EncodeToString(id[:])
	gone := make(chan error, 1)

	o := mqtt.NewClientOptions().AddBroker(l.Url).SetClientID(l.clientID)
	o.SetUsername(l.Username).SetPassword(l.Password).SetTLSConfig(l.TlsConfig)
	o.SetProtocolVersion(4).SetCleanSession(true).SetOrderMatters(true)
	o.SetAutoReconnect(false).SetConnectRetry(false)
	o.SetKeepAlive(l.keepAlive).SetPingTimeout(l.patience).SetWriteTimeout(l.patience).SetConnectTimeout(l.patience)
	o.SetBinaryWill(l.topic(wire.PresenceLeaf), wire.Encode(wire.Presence{Session: session, Version: wire.Version, Contract: wire.ContractVersion}), 1, true)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { gone <- err })
	client := mqtt.NewClient(o)
	defer client.Disconnect(0)
	if err := l.finish(ctx, client.Connect()); err != nil {
		return err
	}
	connected := time.Now()
	l.connected.Store(true)
	defer func() {
		l.connected.Store(false)
		if time.Since(connected) < soonLost {
			l.short = soon + 1
		}
	}()

	subscription := client.SubscribeMultiple(map[string]byte{l.topic(wire.CommandsLeaf): 1, l.topic(wire.PresenceLeaf): 1},
		func(_ mqtt.Client, m mqtt.Message) { l.receive(m, session) })
	if err := l.finish(ctx, subscription); err != nil {
		return fmt.Errorf("subscribing: %w", err)
	}
	refused := ""
	if s, ok := subscription.(*mqtt.SubscribeToken); ok {
		for _, leaf := range []wire.Leaf{wire.PresenceLeaf, wire.CommandsLeaf} {
			// The library takes the refusal for success.
			if s.Result()[l.topic(leaf)] > 2 {
				refused = "the broker does not let this cart read its " + string(leaf) + ": give its user the right to " + l.topic(leaf)
			}
		}
	}
	trouble := func() string {
		switch {
		case refused != "":
			return refused
		case soon >= 2 && time.Since(connected) < soonLost:
			// Said while it is connected: only then does anybody hear it.
			return l.takenOver()
		case time.Since(connected) > 2*l.patience && !l.heardItself(session):
			// Some brokers grant every subscription and then send nothing.
			return "the broker does not send this cart its own presence back: give its user the right to read " +
				l.topic(wire.PresenceLeaf) + ", and look whether it may read " + l.topic(wire.CommandsLeaf)
		}
		return ""
	}

	// Raw readings of the time without a connection are in the journal; sent late
	// they would look live.
	l.mu.Lock()
	l.readings = nil
	l.mu.Unlock()
	l.birth(session)
	for {
		// Each time, since news that the cart had no room for is dropped.
		l.told(trouble())
		err := l.flush(ctx, client)
		if err == nil {
			select {
			case <-ctx.Done():
			case err = <-gone:
			case <-l.wake:
				continue
			}
		}
		if ctx.Err() != nil {
			l.goodbye(client, session)
			return ctx.Err()
		}
		return err
	}
}

func (l *link) heardItself(session string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.heard == session
}

// birth makes presence true for this session and all leaves due.
func (l *link) birth(session string) {
	since := time.Now().UTC().Format(wire.TimeLayout)
	l.set(wire.PresenceLeaf, wire.Encode(wire.Presence{Online: true, Since: &since, Session: session, Version: wire.Version, Contract: wire.ContractVersion}))
	l.again()
}

// goodbye sends what is still due and tells a clean stop from a lost
// connection: then the will is not sent.
func (l *link) goodbye(client mqtt.Client, session string) {
	// Together with a slow sensor it stays within the two seconds of a stop.
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	// A leaf goes out again after the next start, an answer does not.
	if l.flushAnswers(ctx, client, l.waiting()) == nil {
		l.flush(ctx, client)
	}
	p := wire.Presence{Session: session, Version: wire.Version, Contract: wire.ContractVersion, Why: "stopped"}
	l.finish(ctx, client.Publish(l.topic(wire.PresenceLeaf), 1, true, wire.Encode(p)))
	client.Disconnect(100)
}

// finish waits for a token with ctx and a limit: some never end by themselves.
func (l *link) finish(ctx context.Context, token mqtt.Token) error {
	select {
	case <-token.Done():
		return token.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(2 * l.patience):
		return errors.New("no answer")
	}
}

// receive runs on the client's own goroutine and must not wait.
func (l *link) receive(m mqtt.Message, session string) {
	if m.Topic() == l.topic(wire.PresenceLeaf) {
		// The will of an earlier connection may arrive after our birth, and a broker
		// may come back with an older file: what it says must be true.
		var p wire.Presence
		if json.Unmarshal(m.Payload(), &p) != nil || !p.Online || p.Session != session {
			l.birth(session)
		}
		l.mu.Lock()
		l.heard = session
		l.mu.Unlock()
		return
	}
	if len(m.Payload()) > mostPayload {
		id := ""
		if len(m.Payload()) <= mostNamed {
			id, _ = wire.CommandID(m.Payload())
		}
		l.reply(id, wire.Reply{Error: fmt.Sprintf("command of %d bytes: at most %d", len(m.Payload()), mostPayload)})
		return
	}
	select {
	case l.commands <- incoming{m.Payload(), m.Retained()}:
	default:
		id, _ := wire.CommandID(m.Payload())
		l.count("busy")
		l.answer(id, wire.Reply{Error: "busy: too many commands at once, send it again"})
	}
}

// flush sends everything that is due, in rounds: every leaf that has changed, and
// then the answers that waited when the round began, so that who reads "done"
// finds it done. A leaf that changes faster than a slow broker takes it holds up
// neither the other leaves nor an answer.
func (l *link) flush(ctx context.Context, client mqtt.Client) error {
	for {
		answers := l.waiting()
		sent := l.flushReadings(client)
		for _, leaf := range wire.StateLeaves {
			l.mu.Lock()
			s := l.state[leaf]
			payload, due := s.payload, s.dirty
			s.dirty = false
			l.mu.Unlock()
			if !due {
				continue
			}
			sent = true
			// One message at a time: the leaf's newest value may change meanwhile, and
			// the next round takes that one.
			if err := l.finish(ctx, client.Publish(l.topic(leaf), 1, true, payload)); err != nil {
				return err
			}
			l.flushReadings(client)
		}
		if err := l.flushAnswers(ctx, client, answers); err != nil {
			return err
		}
		if !sent && answers == 0 {
			return nil
		}
	}
}

// waiting is how many answers wait.
func (l *link) waiting() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.replies)
}

// flushAnswers sends the oldest n answers that wait.
func (l *link) flushAnswers(ctx context.Context, client mqtt.Client, n int) error {
	for range n {
		l.mu.Lock()
		reply := l.replies[0]
		l.replies = l.replies[1:]
		l.mu.Unlock()
		if err := l.finish(ctx, client.Publish(reply.topic, 1, false, reply.payload)); err != nil {
			return err
		}
		l.flushReadings(client)
	}
	return nil
}

// flushReadings sends the raw readings that wait, and tells whether there were any.
func (l *link) flushReadings(client mqtt.Client) bool {
	l.mu.Lock()
	readings := l.readings
	l.readings = nil
	l.mu.Unlock()
	for _, r := range readings {
		client.Publish(l.topic(wire.ReadingsLeaf), 0, false, r)
	}
	return len(readings) > 0
}
