package bridgetest

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/wire"
	"bayfill/bridge/wire/schema/schematest"
)

// ContractCheck returns a function that validates messages against the published schemas.
// It fails the test for the first invalid message on each topic.
func ContractCheck(t testing.TB) func(topic string, payload []byte) {
	reported := map[string]bool{}
	return func(topic string, payload []byte) {
		if reported[topic] {
			return
		}
		if err := schematest.Published(topic, payload); err != nil {
			reported[topic] = true
			t.Errorf("%s: %v", topic, err)
		}
	}
}

// Message is a message that a subscriber has received.
type Message struct {
	Topic    string
	Payload  []byte
	QoS      byte
	Retained bool
	At       time.Time
}

// Subscriber is an MQTT client that keeps all messages. At the end of the test it
// validates them against the published schemas.
type Subscriber struct {
	T        testing.TB
	Client   mqtt.Client
	Invented bool // the test publishes messages that no bridge would: validate nothing
	mu       sync.Mutex
	got      []Message
}

// Subscribe connects a subscriber to a broker. It reconnects by itself.
func Subscribe(t testing.TB, url, username, password string, filters ...string) *Subscriber {
	t.Helper()
	s := &Subscriber{T: t}
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID("test-" + fmt.Sprint(time.Now().UnixNano()))
	o.SetUsername(username).SetPassword(password).SetProtocolVersion(4).SetAutoReconnect(true).SetMaxReconnectInterval(200 * time.Millisecond)
	o.SetCleanSession(true)
	o.SetOnConnectHandler(func(c mqtt.Client) {
		wanted := map[string]byte{}
		for _, f := range filters {
			wanted[f] = 1
		}
		c.SubscribeMultiple(wanted, func(_ mqtt.Client, m mqtt.Message) {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.got = append(s.got, Message{m.Topic(), m.Payload(), m.Qos(), m.Retained(), time.Now()})
		})
	})
	s.Client = mqtt.NewClient(o)
	if token := s.Client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("connecting to %s: %v", url, token.Error())
	}
	t.Cleanup(func() {
		s.Client.Disconnect(50)
		if s.Invented {
			return
		}
		check := ContractCheck(t)
		for _, m := range s.All() {
			check(m.Topic, m.Payload)
		}
	})
	return s
}

// All returns all messages so far.
func (s *Subscriber) All() []Message {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Message(nil), s.got...)
}

// Last returns the newest message whose topic has an ending.
func (s *Subscriber) Last(end string) (Message, bool) {
	all := s.All()
	for i := len(all) - 1; i >= 0; i-- {
		if strings.HasSuffix(all[i].Topic, end) {
			return all[i], true
		}
	}
	return Message{}, false
}

// Read decodes the newest message of a leaf. It is zero when there is none.
func Read[T any](s *Subscriber, leaf wire.Leaf) T {
	s.T.Helper()
	var v T
	if m, ok := s.Last("/" + string(leaf)); ok {
		if err := json.Unmarshal(m.Payload, &v); err != nil {
			s.T.Fatalf("%s: %v in %s", m.Topic, err, m.Payload)
		}
	}
	return v
}

// Publish publishes a message and waits for the acknowledgement.
func (s *Subscriber) Publish(topic string, retained bool, payload string) {
	s.T.Helper()
	if token := s.Client.Publish(topic, 1, retained, payload); !token.WaitTimeout(10 * time.Second) {
		s.T.Fatalf("publishing to %s: no answer", topic)
	}
}

// Command sends a command to the test cart and returns the reply.
func (s *Subscriber) Command(payload string) wire.Reply {
	s.T.Helper()
	id, ok := wire.CommandID([]byte(payload))
	if !ok {
		id = "refused"
	}
	before := len(s.All())
	s.Publish("bayfill/test/cart/commands", false, payload)
	var r wire.Reply
	Eventually(s.T, 10*time.Second, "the reply to "+payload, func() bool {
		for _, m := range s.All()[before:] {
			if m.Topic == "bayfill/test/cart/replies/"+id {
				return json.Unmarshal(m.Payload, &r) == nil
			}
		}
		return false
	})
	return r
}

// Must sends commands that have to succeed, each as the JSON after the id. It repeats a
// command while a scale has not settled or has not been heard since the job was opened.
func (s *Subscriber) Must(commands ...string) {
	s.T.Helper()
	for _, c := range commands {
		var r wire.Reply
		Eventually(s.T, 20*time.Second, "settled scales", func() bool {
			r = s.Command(fmt.Sprintf(`{"id":"t%d",%s}`, time.Now().UnixNano(), c))
			return !strings.Contains(r.Error, "has not settled") && !strings.Contains(r.Error, "has not been heard")
		})
		if !r.OK {
			s.T.Fatalf("%s: %s", c, r.Error)
		}
	}
}
