package cart

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayfill/bridge/build"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// link is a cart's connection to the broker. It keeps only the newest message of each
// state leaf and sends it when it can: an outage leaves no backlog. After each connect
// it subscribes, publishes that the cart is online, and sends all leaves again.
type link struct {
	endpoint mqtt.Endpoint
	prefix   string // bayfill/{shop}/{cart}/
	// readingsTopic is the topic of readings, made once.
	readingsTopic string
	commands      chan<- incoming             // when it is full the link answers "busy"
	report        func(trouble fillcalc.Text) // zero when nothing is wrong
	// echoWithin is how long the broker may take to return the cart's own presence.
	echoWithin time.Duration
	// renewEvery is after how long, on average, every leaf is sent again: a cluster may
	// have lost one that it acknowledged.
	renewEvery time.Duration
	madeAt     time.Time
	announced  []mqtt.Message // for tools that find devices by themselves; may be empty

	connected atomic.Bool
	outcomes  *prometheus.CounterVec // of commands

	mu       sync.Mutex
	state    map[wire.Leaf]*slot
	try      func(mqtt.Message) bool // sends over the current connection without waiting; nil: there is none
	readings [][]byte                // the newest last
	flushing bool                    // readings that waited are being sent: none may overtake them
	replies  []outgoing
	echoed   string        // session in which the cart's own presence came back
	born     wire.Presence // of this session; zero before the first
	beatenAt time.Time     // when it was last made due
	echoedAt time.Time     // when the cart's own presence last came back
	wake     chan struct{}

	// Owned by the goroutine that runs the link.
	session     string // of the current connection
	short       int    // connections in a row that were lost soon, including the current one
	shortBefore int    // the same without the current one
}

const (
	maxPayload      = 16 << 10 // of a command
	maxNamedPayload = 1 << 20  // of a refused command whose id is looked for, which takes time
	echoWithin      = 10 * time.Second
	// soonLost is how long a connection lasts at most when another client uses the same
	// id: the broker ends the older connection.
	soonLost   = 10 * time.Second
	renewEvery = 5 * time.Minute
	// askEvery is how often a refused subscription is tried again.
	askEvery = 5 * time.Second
)

// newLink returns a link that is not connected yet.
func newLink(to mqtt.Endpoint, shop, cart string, commands chan<- incoming, report func(trouble fillcalc.Text)) *link {
	l := &link{
		endpoint: to, prefix: "bayfill/" + shop + "/" + cart + "/",
		commands: commands, report: report, echoWithin: echoWithin, renewEvery: renewEvery, outcomes: newOutcomes(),
		madeAt: time.Now(), state: map[wire.Leaf]*slot{}, wake: make(chan struct{}, 1),
	}
	l.readingsTopic = l.topic(wire.ReadingsLeaf)
	l.endpoint.ClientID = "bayfill-" + shop + "-" + cart
	l.endpoint.Will = l.will
	for _, leaf := range wire.StateLeaves {
		l.state[leaf] = &slot{}
	}
	return l
}

// run keeps a connection until ctx ends; then it says goodbye. The pauses between
// attempts are so short that all leaves are up to date ten seconds after a broker is
// back.
func (l *link) run(ctx context.Context) {
	mqtt.Keep(ctx, l.endpoint, l.use, func(err *mqtt.PlaceError) {
		if l.short >= 2 {
			l.report(l.takenOver())
			return
		}
		l.report(fillcalc.Text{Key: "alert.broker", Names: map[string]string{"broker": err.URL, "reason": err.Err.Error()}})
	})
}

// topic returns the topic of a leaf.
func (l *link) topic(leaf wire.Leaf) string { return l.prefix + string(leaf) }

// takenOver is the text for connections that are lost again and again.
func (l *link) takenOver() fillcalc.Text {
	return fillcalc.Text{Key: "alert.broker_taken_over", Names: map[string]string{"client": l.endpoint.ClientID}}
}

// will starts the session of the next connection, and returns the message that the
// broker publishes if that connection is lost.
func (l *link) will() mqtt.Message {
	var id [8]byte
	rand.Read(id[:])
	l.session = hex.EncodeToString(id[:])
	l.short, l.shortBefore = 0, l.short
	return l.presence(wire.Presence{Session: l.session})
}

// presence returns a message on the leaf presence.
func (l *link) presence(p wire.Presence) mqtt.Message {
	p.Version, p.Contract = build.Version, wire.ContractVersion
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
	refused, err := l.subscribe(ctx, conn, session)
	if err != nil {
		return err
	}
	// The journal has the readings of the time without a connection; sent now they would
	// look live.
	l.mu.Lock()
	l.readings, l.try = nil, conn.Try
	l.mu.Unlock()
	defer func() {
		l.mu.Lock()
		l.try = nil
		l.mu.Unlock()
	}()
	l.birth(session)
	if err := l.announce(ctx, conn.Publish); err != nil {
		return err
	}
	renew := time.NewTimer(l.renewAfter())
	defer renew.Stop()
	look := time.NewTicker(askEvery)
	defer look.Stop()
	for {
		// Report on every turn: a full inbox drops reports.
		l.report(l.trouble(refused, time.Since(start)))
		err := l.flush(ctx, conn.Publish)
		if err == nil {
			select {
			case <-ctx.Done():
			case <-conn.Lost():
				err = conn.Err()
			case <-renew.C:
				renew.Reset(l.renewAfter())
				l.republish()
				err = l.announce(ctx, conn.Publish)
				if err == nil {
					continue
				}
			case <-look.C:
				if refused != nil {
					refused, err = l.subscribe(ctx, conn, session)
				} else if l.deaf() {
					err = errDeaf
				}
				if err == nil {
					continue
				}
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

// subscribe asks for commands and the own presence. refused is what the broker does not
// grant: a right that is missing, or a cluster that has no leader for the moment.
func (l *link) subscribe(ctx context.Context, conn *mqtt.Conn, session string) (refused *mqtt.RefusedError, err error) {
	err = conn.Subscribe(ctx, func(m mqtt.Message) { l.receive(m, session) },
		mqtt.Filter{Topic: l.topic(wire.CommandsLeaf), QoS: 1}, mqtt.Filter{Topic: l.topic(wire.PresenceLeaf), QoS: 1})
	if errors.As(err, &refused) {
		return refused, nil
	}
	return nil, err
}

// errDeaf is that a broker no longer delivers what it did before.
var errDeaf = errors.New("the broker no longer returns the cart's own presence, so commands do not arrive either")

// deaf reports whether the own presence came back on this connection and then, though it
// was sent, for a while no more: a cluster may lose a subscription with a node.
func (l *link) deaf() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.echoed == l.session && l.beatenAt.Sub(l.echoedAt) > 2*wire.IdleBeat
}

// announce sends what other tools find the cart by.
func (l *link) announce(ctx context.Context, send publish) error {
	for _, m := range l.announced {
		if err := send(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

// renewAfter is a random time, so that carts which connected together do not all send at
// once.
func (l *link) renewAfter() time.Duration { return l.renewEvery/2 + mathrand.N(l.renewEvery) }

// trouble returns what is wrong with a connection that is age old; zero: nothing.
func (l *link) trouble(refused *mqtt.RefusedError, age time.Duration) fillcalc.Text {
	switch {
	case refused != nil:
		return fillcalc.Text{Key: "alert.broker_right", Names: map[string]string{"topic": refused.Topic}}
	case l.shortBefore >= 2 && age < soonLost:
		// Reported while connected: otherwise nobody receives it.
		return l.takenOver()
	case age > l.echoWithin && !l.hasEcho():
		// Some brokers accept every subscription and then send nothing.
		return fillcalc.Text{Key: "alert.broker_no_echo", Names: map[string]string{"topic": l.topic(wire.PresenceLeaf), "commands": l.topic(wire.CommandsLeaf)}}
	}
	return fillcalc.Text{}
}

// hasEcho reports whether the cart's own presence came back in this session.
func (l *link) hasEcho() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.echoed == l.session
}

// birth publishes that the cart is online in this session, and makes all leaves due.
func (l *link) birth(session string) {
	since := l.now()
	l.mu.Lock()
	l.born, l.beatenAt = wire.Presence{Online: true, Since: &since, Session: session}, time.Time{}
	l.mu.Unlock()
	l.beat(wire.IdleBeat)
	l.republish()
}

// now is the time of a message. It does not jump when the computer's clock is set.
func (l *link) now() string {
	return l.madeAt.Add(time.Since(l.madeAt)).UTC().Format(wire.TimeLayout)
}

// beat makes the presence due again when its time has come. The cart's loop calls it, so
// that a loop that hangs is not shown as live.
func (l *link) beat(every time.Duration) {
	l.mu.Lock()
	p := l.born
	due := p.Online && time.Since(l.beatenAt) >= every
	if due {
		l.beatenAt = time.Now()
	}
	l.mu.Unlock()
	if due {
		p.TS, p.EveryS = l.now(), every.Seconds()
		l.set(wire.PresenceLeaf, l.presence(p).Payload)
	}
}

// goodbye sends what is still due, and then a presence that says that the stop was
// clean. The connection is then closed, so that the will is not published.
func (l *link) goodbye(send publish) {
	// Together with a slow sensor this stays within the two seconds of a stop.
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	// Replies first: a leaf is sent again after the next start, a reply is not.
	if l.flushReplies(ctx, send, l.waiting()) == nil {
		l.flush(ctx, send)
	}
	send(ctx, l.presence(wire.Presence{TS: l.now(), Session: l.session, Why: "stopped"}))
}

// receive handles a message from the broker. It runs on the MQTT client's goroutine and
// must not wait.
func (l *link) receive(m mqtt.Message, session string) {
	if m.Topic == l.topic(wire.PresenceLeaf) {
		// The will of an earlier connection may arrive after our birth, and a broker may
		// restart with older data: the retained presence must be true.
		var p wire.Presence
		if json.Unmarshal(m.Payload, &p) != nil || !p.Online || p.Session != session {
			l.birth(session)
		}
		l.mu.Lock()
		l.echoed, l.echoedAt = session, time.Now()
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
		l.replyBusy(id)
	}
}
