package cart

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
)

// A client whose broker takes its time over every message.
type slowClient struct {
	mqtt.Client
	takes time.Duration
	sent  []string
}

func (c *slowClient) Publish(topic string, qos byte, _ bool, payload any) mqtt.Token {
	c.sent = append(c.sent, strings.TrimPrefix(topic, bridgetest.Topics)+" "+string(payload.([]byte)))
	done := make(chan struct{})
	if qos == 0 {
		close(done)
	} else {
		time.AfterFunc(c.takes, func() { close(done) })
	}
	return slowToken{done: done}
}

func (c *slowClient) Disconnect(uint) {}

type slowToken struct {
	mqtt.Token
	done chan struct{}
}

func (t slowToken) Done() <-chan struct{} { return t.done }

func (t slowToken) Error() error { return nil }

// While fluid runs, the volumes change faster than a slow broker takes them: the
// other leaves go out all the same, and an answer after what it answers for.
func TestSlowBrokerStarvesNoLeaf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLink(Broker{}, "test", "cart", nil, func(string) {})
		client := &slowClient{takes: 300 * time.Millisecond}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		flowing := time.NewTicker(fastestNs)
		defer flowing.Stop()
		go func() {
			for range 20 {
				<-flowing.C
				l.set(wire.JobLeaf, []byte("flows"))
				l.set(wire.VolumesLeaf, []byte("flows"))
			}
			// What a command does is set before it is answered.
			l.sendReading([]byte("newest"))
			for _, leaf := range []wire.Leaf{wire.JobLeaf, wire.VolumesLeaf, wire.WindowLeaf} {
				l.set(leaf, []byte("closed"))
			}
			l.reply("the-end", wire.Reply{OK: true})
		}()
		l.set(wire.JobLeaf, []byte("flows"))
		l.set(wire.VolumesLeaf, []byte("flows"))
		l.set(wire.AlertsLeaf, []byte("overfull"))
		if err := l.flush(ctx, client); err != nil {
			t.Fatal(err)
		}
		if at := slices.Index(client.sent, "alerts overfull"); at != 2 {
			t.Errorf("the alert is message %d of %q", at, client.sent)
		}
		answer := slices.IndexFunc(client.sent, func(m string) bool { return strings.HasPrefix(m, "replies/the-end ") })
		for _, leaf := range []string{"job", "volumes", "window"} {
			if at := slices.Index(client.sent, leaf+" closed"); at < 0 || at > answer {
				t.Errorf("%s is message %d, the answer %d of %q", leaf, at, answer, client.sent)
			}
		}
		if !slices.Contains(client.sent, "readings newest") {
			t.Errorf("no reading in %q", client.sent)
		}
	})
}

// A stop does not wait for a slow broker: the answers go before the leaves, which are
// sent again after the next start.
func TestSlowBrokerAtAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLink(Broker{}, "test", "cart", nil, func(string) {})
		client := &slowClient{takes: 400 * time.Millisecond}
		for _, leaf := range []wire.Leaf{wire.JobLeaf, wire.VolumesLeaf, wire.WindowLeaf, wire.AlertsLeaf} {
			l.set(leaf, []byte("closed"))
		}
		l.reply("the-end", wire.Reply{OK: true})
		began := time.Now()
		l.goodbye(client, "session")
		if took := time.Since(began); took > 1500*time.Millisecond {
			t.Errorf("it took %s", took)
		}
		if len(client.sent) < 2 || !strings.HasPrefix(client.sent[0], "replies/the-end ") || !strings.HasPrefix(client.sent[len(client.sent)-1], "presence ") {
			t.Errorf("sent %q", client.sent)
		}
	})
}
