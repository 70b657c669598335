package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge"
)

// station is a person's side of the contract: it watches a cart's leaves and
// sends commands, as any MQTT client can.
type station struct {
	client mqtt.Client
	prefix string // bayfill/{shop}/{cart}/

	mu      sync.Mutex
	seen    shown
	replies map[string]chan bridge.Reply
	sent    int
}

// shown is the newest of each leaf.
type shown struct {
	volumes bridge.VolumesMessage
	window  bridge.WindowMessage
	job     bridge.JobMessage
	alerts  bridge.AlertsMessage
}

func openStation(ctx context.Context, broker, prefix, username, password string) (*station, error) {
	s := &station{prefix: prefix, replies: map[string]chan bridge.Reply{}}
	o := mqtt.NewClientOptions().AddBroker(broker).SetClientID(fmt.Sprintf("bayfill-station-%d", time.Now().UnixNano()))
	o.SetUsername(username).SetPassword(password).SetProtocolVersion(4).SetCleanSession(true)
	o.SetConnectTimeout(5 * time.Second).SetAutoReconnect(true)
	s.client = mqtt.NewClient(o)
	if err := wait(ctx, s.client.Connect()); err != nil {
		return nil, fmt.Errorf("broker %s: %w", broker, err)
	}
	if err := wait(ctx, s.client.SubscribeMultiple(map[string]byte{prefix + "+": 0, prefix + "replies/+": 1}, s.receive)); err != nil {
		s.close()
		return nil, fmt.Errorf("broker %s: subscribing: %w", broker, err)
	}
	return s, nil
}

func (s *station) close() { s.client.Disconnect(100) }

func wait(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(10 * time.Second):
		return errors.New("no answer")
	}
}

func (s *station) receive(_ mqtt.Client, m mqtt.Message) {
	leaf := strings.TrimPrefix(m.Topic(), s.prefix)
	s.mu.Lock()
	defer s.mu.Unlock()
	into := map[string]any{"volumes": &s.seen.volumes, "window": &s.seen.window, "job": &s.seen.job, "alerts": &s.seen.alerts}[leaf]
	if into != nil {
		// A message that cannot be read leaves the last one standing.
		_ = json.Unmarshal(m.Payload(), into)
		return
	}
	if id, ok := strings.CutPrefix(leaf, "replies/"); ok && s.replies[id] != nil {
		var r bridge.Reply
		if json.Unmarshal(m.Payload(), &r) == nil {
			s.replies[id] <- r
			delete(s.replies, id)
		}
	}
}

func (s *station) look() shown {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.seen
}

// command sends a command and waits for its reply; without one it asks again
// under the same id, which does it at most once.
func (s *station) command(ctx context.Context, do string, fields map[string]any) (bridge.Reply, error) {
	s.mu.Lock()
	s.sent++
	id := fmt.Sprintf("s%d-%d", time.Now().UnixNano(), s.sent)
	answer := make(chan bridge.Reply, 1)
	s.replies[id] = answer
	s.mu.Unlock()
	message := map[string]any{"id": id, "do": do}
	for name, value := range fields {
		message[name] = value
	}
	payload, err := json.Marshal(message)
	if err != nil {
		return bridge.Reply{}, err
	}
	for range 3 {
		if err := wait(ctx, s.client.Publish(s.prefix+"commands", 1, false, payload)); err != nil {
			return bridge.Reply{}, fmt.Errorf("%s: %w", do, err)
		}
		select {
		case r := <-answer:
			if !r.OK {
				return r, fmt.Errorf("%s was refused: %s", do, r.Error)
			}
			return r, nil
		case <-ctx.Done():
			return bridge.Reply{}, ctx.Err()
		case <-time.After(2 * time.Second):
		}
	}
	return bridge.Reply{}, fmt.Errorf("%s: no reply: is the bridge running, and may this user command?", do)
}
