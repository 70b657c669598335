package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/wire"
)

// station is a person's side of the contract: it watches a cart's leaves and
// sends commands, as any MQTT client can.
type station struct {
	contact
	ended sync.WaitGroup
	stop  context.CancelFunc

	mu      sync.Mutex
	client  mqtt.Client // of the connection that stands; nil without one
	seen    shown
	replies map[string]chan wire.Reply
	sent    int
}

// contact is a broker, who comes to it, and the cart that is meant.
type contact struct {
	broker   string
	tls      *tls.Config // nil: as this computer trusts
	prefix   string      // bayfill/{shop}/{cart}/
	username string
	password string
	signer   *wire.Signer // of commands; nil: they go unsigned
}

// shown is the newest of each leaf, and how it stands with the connection.
type shown struct {
	presence wire.Presence
	volumes  wire.Volumes
	window   wire.Window
	job      wire.Job
	alerts   wire.Alerts

	// By this computer's clock; zero: never.
	connectedAt, heardAt, readingAt, presenceAt, volumesAt, windowAt time.Time
	// kept: the volumes are what the broker had kept of earlier times.
	kept bool
	// trouble is why there is no connection, since when; empty while there is one.
	trouble   string
	troubleAt time.Time
}

const (
	// again is how soon a lost connection is tried again.
	again = time.Second
	// keepAlive is how soon a connection that swallows everything is given up. The
	// library sends it late by up to a quarter, a broker ends it late by half.
	keepAlive = 5 * time.Second
)

// connecting is the trouble before the first connection.
const connecting = "connecting"

func newStation(c contact) *station {
	return &station{
		contact: c, replies: map[string]chan wire.Reply{},
		seen: shown{trouble: connecting, troubleAt: time.Now()},
	}
}

// openStation connects, and stays connected until it is closed. The error is that
// of the first connection.
func openStation(ctx context.Context, c contact) (*station, error) {
	s := newStation(c)
	lost, err := s.connect(ctx)
	if err != nil {
		return nil, err
	}
	s.stay(lost)
	return s, nil
}

// stay keeps the connection, or with nil begins one, until close.
func (s *station) stay(lost <-chan error) {
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	s.ended.Go(func() {
		for {
			if lost == nil {
				var err error
				if lost, err = s.connect(ctx); err != nil {
					s.lose(err)
				}
			}
			if lost == nil {
				select {
				case <-ctx.Done():
					return
				case <-time.After(again):
				}
				continue
			}
			select {
			case <-ctx.Done():
				s.client.Disconnect(100)
				return
			case err := <-lost:
				s.lose(fmt.Errorf("broker %s: %w", s.broker, err))
				lost = nil
			}
		}
	})
}

func (s *station) close() {
	s.stop()
	s.ended.Wait()
}

func (s *station) lose(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.client = nil; s.seen.trouble == "" {
		s.seen.troubleAt = time.Now()
	}
	s.seen.trouble = err.Error()
}

// connect makes one connection, which does not come back by itself.
func (s *station) connect(ctx context.Context) (lost <-chan error, err error) {
	gone := make(chan error, 1)
	o := mqtt.NewClientOptions().AddBroker(s.broker).SetClientID("bayfill-station-" + rand.Text())
	o.SetUsername(s.username).SetPassword(s.password).SetTLSConfig(s.tls).SetProtocolVersion(4).SetCleanSession(true)
	o.SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(5 * time.Second)
	o.SetKeepAlive(keepAlive).SetPingTimeout(keepAlive).SetWriteTimeout(5 * time.Second)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { gone <- err })
	client := mqtt.NewClient(o)
	if err := wait(ctx, client.Connect()); err != nil {
		client.Disconnect(0)
		return nil, fmt.Errorf("broker %s: %w", s.broker, err)
	}
	// State with QoS 1: of QoS 0 a broker drops what comes too fast, and the last
	// leaf of a job would not come again.
	wanted := map[string]byte{s.prefix + "readings": 0, s.prefix + "replies/+": 1}
	for _, leaf := range []string{"presence", "volumes", "window", "job", "alerts"} {
		wanted[s.prefix+leaf] = 1
	}
	subscription := client.SubscribeMultiple(wanted, s.receive)
	err = wait(ctx, subscription)
	if granted, ok := subscription.(*mqtt.SubscribeToken); ok && err == nil {
		for topic := range wanted {
			// The library takes the refusal for success.
			if granted.Result()[topic] > 2 {
				err = fmt.Errorf("user %q may not read %s", s.username, topic)
			}
		}
	}
	if err != nil {
		client.Disconnect(0)
		return nil, fmt.Errorf("broker %s: %w", s.broker, err)
	}
	s.mu.Lock()
	s.client, s.seen.trouble, s.seen.connectedAt = client, "", time.Now()
	s.mu.Unlock()
	return gone, nil
}

func wait(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(5 * time.Second): // some tokens never end by themselves
		return errors.New("no answer")
	}
}

func (s *station) receive(_ mqtt.Client, m mqtt.Message) {
	leaf := strings.TrimPrefix(m.Topic(), s.prefix)
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	if !m.Retained() {
		s.seen.heardAt = now
	}
	switch leaf {
	case "presence":
		take(m.Payload(), &s.seen.presence)
		s.seen.presenceAt = now
	case "volumes":
		take(m.Payload(), &s.seen.volumes)
		s.seen.volumesAt, s.seen.kept = now, m.Retained()
	case "window":
		take(m.Payload(), &s.seen.window)
		s.seen.windowAt = now
	case "job":
		take(m.Payload(), &s.seen.job)
	case "alerts":
		take(m.Payload(), &s.seen.alerts)
	case "readings":
		s.seen.readingAt = now
	}
	if id, ok := strings.CutPrefix(leaf, "replies/"); ok && s.replies[id] != nil {
		var r wire.Reply
		if json.Unmarshal(m.Payload(), &r) == nil {
			s.replies[id] <- r
			delete(s.replies, id)
		}
	}
}

// take puts a message in place of the last one, which somebody may still be
// looking at; one that cannot be read leaves it standing.
func take[T any](payload []byte, into *T) {
	var m T
	if json.Unmarshal(payload, &m) == nil {
		*into = m
	}
}

func (s *station) look() shown {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.seen
}

// errNoReply is that nobody answered a command: it may have been done all the
// same.
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
	payload = s.signer.Sign(s.prefix+"commands", payload)
	for {
		s.mu.Lock()
		client := s.client
		s.mu.Unlock()
		if client != nil {
			// Whether it arrived is told by the reply alone.
			client.Publish(s.prefix+"commands", 1, false, payload)
		}
		select {
		case r := <-answer:
			return r, nil
		case <-ctx.Done():
			return wire.Reply{}, errNoReply
		case <-time.After(2 * time.Second):
		}
	}
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
		return r, fmt.Errorf("%s: %w: is the bridge running, and may this user command?", do, err)
	case !r.OK:
		return r, fmt.Errorf("%s was refused: %s", do, r.Error)
	}
	return r, nil
}
