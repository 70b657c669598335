package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

// station is a person's side of the contract: it reads a cart's leaves and sends
// commands, as any MQTT client can.
type station struct {
	contact
	running sync.WaitGroup // the goroutine that keeps the connection
	stop    context.CancelFunc
	first   chan error // gets the outcome of the first attempt to connect

	mu      sync.Mutex
	conn    *mqtt.Conn // nil while there is none
	seen    shown
	replies map[string]chan wire.Reply
	sent    int
	newest  map[wire.Leaf]string // payloads
	news    chan struct{}        // holds one token when a message has come
}

// contact is a broker, how to log in, and the cart that is meant.
type contact struct {
	broker mqtt.Endpoint
	prefix string       // bayfill/{shop}/{cart}/
	signer *wire.Signer // of commands; nil: they are not signed
}

// shown is the newest message of each leaf and the state of the connection.
type shown struct {
	presence wire.Presence
	beats    wire.Beats // of the presence, on this connection
	volumes  wire.Volumes
	window   wire.Window
	job      wire.Job
	alerts   wire.Alerts
	about    wire.About

	// By this computer's clock; zero: never.
	connectedAt, presenceAt, volumesAt, windowAt time.Time
	// kept: the volumes are a retained message, which may be old.
	kept bool
	// trouble is why there has been no connection since troubleAt; nil while there is one.
	trouble   error
	troubleAt time.Time
}

// errConnecting is the trouble before the first connection.
var errConnecting = error(words.NewError("term.connecting"))

func newStation(c contact) *station {
	c.broker.ClientID = "bayfill-station-" + rand.Text()
	// A person waits: a connection that swallows everything must soon be given up. The
	// library sends a ping late by up to a quarter, a broker ends it late by half.
	c.broker.KeepAlive = 5 * time.Second
	c.broker.AckTimeout = 5 * time.Second
	c.broker.MaxRetry = time.Second
	return &station{
		contact: c, first: make(chan error, 1), replies: map[string]chan wire.Reply{},
		newest: map[wire.Leaf]string{}, news: make(chan struct{}, 1),
		seen: shown{trouble: errConnecting, troubleAt: time.Now()},
	}
}

// openStation connects, and stays connected until it is closed. The error is that
// of the first connection; ctx limits only the wait for it.
func openStation(ctx context.Context, c contact) (*station, error) {
	s := newStation(c)
	s.start()
	var err error
	select {
	case err = <-s.first:
	case <-ctx.Done():
		err = words.NewError("usage.broker_at", "broker", strings.Join(c.broker.URLs, ", "), "why", ctx.Err())
	}
	if err != nil {
		s.close()
		return nil, err
	}
	return s, nil
}

// start keeps a connection until close.
func (s *station) start() {
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	s.running.Go(func() {
		mqtt.Keep(ctx, s.broker, s.use, func(err *mqtt.PlaceError) { s.failed(err) })
	})
}

func (s *station) close() {
	s.stop()
	s.running.Wait()
}

// use takes what comes over one connection, and offers it to commands, until it is lost.
func (s *station) use(ctx context.Context, conn *mqtt.Conn) error {
	s.mu.Lock()
	s.seen.beats = wire.Beats{} // what an earlier connection brought is not live
	s.mu.Unlock()
	// State with QoS 1: of QoS 0 a broker drops what comes too fast, and the last
	// leaf of a job would not come again.
	filters := []mqtt.Filter{{Topic: s.prefix + "replies/+", QoS: 1}}
	for _, leaf := range []string{"presence", "about", "volumes", "window", "job", "alerts"} {
		filters = append(filters, mqtt.Filter{Topic: s.prefix + leaf, QoS: 1})
	}
	err := conn.Subscribe(ctx, s.receive, filters...)
	var refused *mqtt.RefusedError
	if errors.As(err, &refused) {
		return words.NewError("usage.may_not_read", "user", s.broker.Username, "topic", refused.Topic)
	}
	if err != nil {
		return err
	}
	s.connected(conn)
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-conn.Lost():
		return conn.Err()
	}
}

// connected notes a connection that is ready.
func (s *station) connected(conn *mqtt.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn, s.seen.trouble, s.seen.connectedAt = conn, nil, time.Now()
	s.outcome(nil)
}

// failed notes why there is no connection. While there are other addresses to try, that
// is not the outcome, unless the broker has refused the user.
func (s *station) failed(why *mqtt.PlaceError) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn = nil; s.seen.trouble == nil {
		s.seen.troubleAt = time.Now()
	}
	err := words.NewError("usage.broker", "why", why)
	if s.seen.trouble = err; why.Last || mqtt.LoginRefused(why) {
		s.outcome(err)
	}
}

// outcome tells who waits how the first attempt went.
func (s *station) outcome(err error) {
	select {
	case s.first <- err:
	default: // not the first, or nobody waits for it
	}
}

// receive runs on the library's own goroutine and must not wait.
func (s *station) receive(m mqtt.Message) {
	leaf := strings.TrimPrefix(m.Topic, s.prefix)
	s.mu.Lock()
	defer s.mu.Unlock()
	if slices.Contains(looksAt, wire.Leaf(leaf)) {
		s.newest[wire.Leaf(leaf)] = string(m.Payload)
	}
	select {
	case s.news <- struct{}{}:
	default:
	}
	now := time.Now()
	switch leaf {
	case "presence":
		if p := take(m.Payload, &s.seen.presence); p != nil {
			s.seen.beats.Take(p, m.Retained, now)
		}
		s.seen.presenceAt = now
	case "about":
		take(m.Payload, &s.seen.about)
	case "volumes":
		take(m.Payload, &s.seen.volumes)
		s.seen.volumesAt, s.seen.kept = now, m.Retained
	case "window":
		take(m.Payload, &s.seen.window)
		s.seen.windowAt = now
	case "job":
		take(m.Payload, &s.seen.job)
	case "alerts":
		take(m.Payload, &s.seen.alerts)
	}
	if id, ok := strings.CutPrefix(leaf, "replies/"); ok && s.replies[id] != nil {
		var r wire.Reply
		if json.Unmarshal(m.Payload, &r) == nil {
			s.replies[id] <- r
			delete(s.replies, id)
		}
	}
}

// take replaces the last message with a new one; it does not change the last one,
// which somebody may still be reading. A message that cannot be parsed is ignored, and
// nil returned.
func take[T any](payload []byte, into *T) *T {
	var m T
	if json.Unmarshal(payload, &m) != nil {
		return nil
	}
	*into = m
	return into
}

func (s *station) look() shown {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.seen
}

// looksAt are the leaves that the technician of a demo looks at.
var looksAt = []wire.Leaf{wire.VolumesLeaf, wire.WindowLeaf, wire.JobLeaf, wire.AlertsLeaf}

// catchUp returns when the station has received what leaves says was published last.
func (s *station) catchUp(ctx context.Context, leaves func() map[wire.Leaf]string) error {
	for {
		want, same := leaves(), true
		s.mu.Lock()
		for _, leaf := range looksAt {
			same = same && s.newest[leaf] == want[leaf]
		}
		s.mu.Unlock()
		if same {
			return ctx.Err()
		}
		select {
		case <-s.news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// errNoReply is that nobody answered a command. It may have been done all the same.
var errNoReply = errors.New("no reply")

// ask sends a command and waits for its reply until ctx ends. It is sent more
// than once, since the cart may come back meanwhile; its id does it at most once.
func (s *station) ask(ctx context.Context, message map[string]any) (wire.Reply, error) {
	payload, err := json.Marshal(message)
	if err != nil {
		return wire.Reply{}, err
	}
	id := fmt.Sprint(message["id"])
	answer := make(chan wire.Reply, 1)
	s.mu.Lock()
	s.replies[id] = answer
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		delete(s.replies, id)
		s.mu.Unlock()
	}()
	command := mqtt.Message{Topic: s.prefix + "commands", Payload: s.signer.Sign(s.prefix+"commands", payload), QoS: 1}
	for ctx.Err() == nil {
		s.mu.Lock()
		conn := s.conn
		s.mu.Unlock()
		attempt, cancel := context.WithTimeout(ctx, 2*time.Second)
		if conn != nil {
			// Only the reply shows whether it arrived.
			conn.Publish(attempt, command)
		}
		select {
		case r := <-answer:
			cancel()
			return r, nil
		case <-attempt.Done():
		}
		cancel()
	}
	return wire.Reply{}, errNoReply
}

// command sends a command that has to be done.
func (s *station) command(ctx context.Context, do string, fields map[string]any) (wire.Reply, error) {
	s.mu.Lock()
	s.sent++
	message := map[string]any{"id": fmt.Sprintf("s%d-%d", time.Now().UnixNano(), s.sent), "do": do}
	s.mu.Unlock()
	for name, value := range fields {
		message[name] = value
	}
	limited, cancel := context.WithTimeout(ctx, 6*time.Second)
	defer cancel()
	r, err := s.ask(limited, message)
	switch {
	case ctx.Err() != nil:
		return r, ctx.Err()
	case err != nil:
		return r, words.NewError("usage.no_reply", "command", do)
	case !r.OK:
		return r, words.NewError("usage.refused", "command", do, "why", errors.New(r.Error))
	}
	return r, nil
}
