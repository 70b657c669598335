package cart

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// link is a cart's connection to the broker. Of every state leaf it keeps the
// newest message only and sends it when it can: an outage leaves no backlog.
// After each connect it subscribes, publishes that the cart is online and sends all
// leaves again.
type link struct {
	endpoint mqtt.Endpoint
	prefix   string               // bayfill/{shop}/{cart}/
	commands chan<- incoming      // never blocks: a full queue is answered "busy"
	report   func(trouble string) // empty: connected
	// echoWithin is how long the broker may take to send the cart's own presence back.
	echoWithin time.Duration

	connected atomic.Bool
	outcomes  *prometheus.CounterVec // of commands

	mu       sync.Mutex
	state    map[wire.Leaf]*slot
	readings [][]byte // newest last; the oldest are dropped when there are too many
	replies  []outgoing
	echoed   string // session in which the own presence came back
	wake     chan struct{}

	// Of the goroutine that runs the link.
	session     string // of the current connection
	short       int    // connections in a row that were soon lost, the current one included
	shortBefore int    // the same before the current connection
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
	maxReadings     = 1000     // waiting for a slow link: a few seconds of several sensors
	maxReplies      = 1024     // brokers hold about as many commands back for a slow reader
	maxPayload      = 16 << 10 // of a command
	maxNamedPayload = 1 << 20  // of one that is refused under its own id: looking for it takes time
	echoWithin      = 10 * time.Second
	// soonLost is how short connections are when another client comes under the
	// same id: the broker ends the older one.
	soonLost = 10 * time.Second
)

func newLink(to mqtt.Endpoint, shop, cart string, commands chan<- incoming, report func(trouble string)) *link {
	l := &link{
		endpoint: to, prefix: "bayfill/" + shop + "/" + cart + "/",
		commands: commands, report: report, echoWithin: echoWithin, outcomes: newOutcomes(),
		state: map[wire.Leaf]*slot{}, wake: make(chan struct{}, 1),
	}
	l.endpoint.ClientID = "bayfill-" + shop + "-" + cart
	l.endpoint.Will = l.will
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
	if len(l.readings) == maxReadings {
		l.readings = append(l.readings[:0], l.readings[maxReadings/2:]...)
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
	if len(l.replies) == maxReplies {
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

// run keeps a connection until ctx ends; then it says goodbye. The pauses are so short
// that all leaves are right ten seconds after a broker is back.
func (l *link) run(ctx context.Context) {
	mqtt.Keep(ctx, l.endpoint, l.use, func(err error) {
		trouble := fmt.Sprintf("broker %s: %v", l.endpoint.URL, err)
		if l.short >= 2 {
			trouble += ": " + l.takenOver()
		}
		l.report(trouble)
	})
}

func (l *link) topic(leaf wire.Leaf) string { return l.prefix + string(leaf) }

func (l *link) takenOver() string {
	return "each connection is lost at once: another client with the id " + l.endpoint.ClientID + " probably takes over, does a second bridge use these names?"
}

// will starts the session of the next connection, and is what the broker publishes if
// that is lost.
func (l *link) will() mqtt.Message {
	var id [8]byte
	rand.Read(id[:])
	l.session = hex.EncodeToString(id[:])
	l.short, l.shortBefore = 0, l.short
	return l.presence(wire.Presence{Session: l.session})
}

// presence is the message of the leaf presence.
func (l *link) presence(p wire.Presence) mqtt.Message {
	p.Version, p.Contract = wire.Version, wire.ContractVersion
	return mqtt.Message{Topic: l.topic(wire.PresenceLeaf), Payload: wire.Encode(p), QoS: 1, Retained: true}
}

// use sends over one connection until it is lost or ctx ends.
func (l *link) use(ctx context.Context, conn *mqtt.Conn) error {
	start, session := time.Now(), l.session
	l.connected.Store(true)
	defer func() {
		l.connected.Store(false)
		if time.Since(start) < soonLost {
			l.short = l.shortBefore + 1
		}
	}()
	var refused *mqtt.RefusedError
	err := conn.Subscribe(ctx, func(m mqtt.Message) { l.receive(m, session) },
		mqtt.Filter{Topic: l.topic(wire.CommandsLeaf), QoS: 1}, mqtt.Filter{Topic: l.topic(wire.PresenceLeaf), QoS: 1})
	if err != nil && !errors.As(err, &refused) {
		return err
	}
	// Raw readings of the time without a connection are in the journal; sent late
	// they would look live.
	l.mu.Lock()
	l.readings = nil
	l.mu.Unlock()
	l.birth(session)
	for {
		// Report on every turn: a full inbox drops reports.
		l.report(l.trouble(refused, time.Since(start)))
		err := l.flush(ctx, conn.Publish)
		if err == nil {
			select {
			case <-ctx.Done():
			case <-conn.Lost():
				err = conn.Err()
			case <-l.wake:
				continue
			}
		}
		if ctx.Err() != nil {
			l.goodbye(conn.Publish)
			return ctx.Err()
		}
		return err
	}
}

// trouble is what is wrong with a connection that is age old; empty: nothing.
func (l *link) trouble(refused *mqtt.RefusedError, age time.Duration) string {
	switch {
	case refused != nil:
		leaf := strings.TrimPrefix(refused.Topic, l.prefix)
		return "the broker does not let this cart read its " + leaf + ": give its user the right to " + refused.Topic
	case l.shortBefore >= 2 && age < soonLost:
		// Reported while it is connected: only then does anybody receive it.
		return l.takenOver()
	case age > l.echoWithin && !l.hasEcho():
		// Some brokers grant every subscription and then send nothing.
		return "the broker does not send this cart its own presence back: give its user the right to read " +
			l.topic(wire.PresenceLeaf) + ", and look whether it may read " + l.topic(wire.CommandsLeaf)
	}
	return ""
}

func (l *link) hasEcho() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.echoed == l.session
}

// birth makes presence true for this session and all leaves due.
func (l *link) birth(session string) {
	since := time.Now().UTC().Format(wire.TimeLayout)
	l.set(wire.PresenceLeaf, l.presence(wire.Presence{Online: true, Since: &since, Session: session}).Payload)
	l.again()
}

// publish sends a message and waits for its acknowledgement.
type publish func(context.Context, mqtt.Message) error

// goodbye sends what is still due, and a presence that tells a clean stop from a lost
// connection. The connection is then closed, so that the will is not published.
func (l *link) goodbye(send publish) {
	// Together with a slow sensor it stays within the two seconds of a stop.
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	// A leaf is sent again after the next start, an answer is not.
	if l.flushAnswers(ctx, send, l.waiting()) == nil {
		l.flush(ctx, send)
	}
	send(ctx, l.presence(wire.Presence{Session: l.session, Why: "stopped"}))
}

// receive runs on the client library's goroutine and must not wait.
func (l *link) receive(m mqtt.Message, session string) {
	if m.Topic == l.topic(wire.PresenceLeaf) {
		// The will of an earlier connection may arrive after our birth, and a broker
		// may come back with an older file: what it says must be true.
		var p wire.Presence
		if json.Unmarshal(m.Payload, &p) != nil || !p.Online || p.Session != session {
			l.birth(session)
		}
		l.mu.Lock()
		l.echoed = session
		l.mu.Unlock()
		return
	}
	if len(m.Payload) > maxPayload {
		id := ""
		if len(m.Payload) <= maxNamedPayload {
			id, _ = wire.CommandID(m.Payload)
		}
		l.reply(id, wire.Reply{Error: fmt.Sprintf("command of %d bytes: at most %d", len(m.Payload), maxPayload)})
		return
	}
	select {
	case l.commands <- incoming{m.Payload, m.Retained}:
	default:
		id, _ := wire.CommandID(m.Payload)
		l.count("busy")
		l.answer(id, wire.Reply{Error: "busy: too many commands at once, send it again"})
	}
}

// flush sends everything that is due, in rounds: every leaf that has changed, and
// then the answers that waited when the round began, so that who reads "done"
// finds it done. A leaf that changes faster than a slow broker takes it holds up
// neither the other leaves nor an answer.
func (l *link) flush(ctx context.Context, send publish) error {
	for {
		answers := l.waiting()
		sent := l.flushReadings(ctx, send)
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
			if err := send(ctx, mqtt.Message{Topic: l.topic(leaf), Payload: payload, QoS: 1, Retained: true}); err != nil {
				return err
			}
			l.flushReadings(ctx, send)
		}
		if err := l.flushAnswers(ctx, send, answers); err != nil {
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
func (l *link) flushAnswers(ctx context.Context, send publish, n int) error {
	for range n {
		l.mu.Lock()
		reply := l.replies[0]
		l.replies = l.replies[1:]
		l.mu.Unlock()
		if err := send(ctx, mqtt.Message{Topic: reply.topic, Payload: reply.payload, QoS: 1}); err != nil {
			return err
		}
		l.flushReadings(ctx, send)
	}
	return nil
}

// flushReadings sends the raw readings that wait, and tells whether there were any.
func (l *link) flushReadings(ctx context.Context, send publish) bool {
	l.mu.Lock()
	readings := l.readings
	l.readings = nil
	l.mu.Unlock()
	for _, r := range readings {
		// One that is lost is still in the journal.
		send(ctx, mqtt.Message{Topic: l.topic(wire.ReadingsLeaf), Payload: r})
	}
	return len(readings) > 0
}
