package cart

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// slowBroker takes its time to acknowledge each message.
type slowBroker struct {
	takes time.Duration
	sent  []string
}

func (b *slowBroker) publish(ctx context.Context, m mqtt.Message) error {
	b.sent = append(b.sent, strings.TrimPrefix(m.Topic, bridgetest.Topics)+" "+string(m.Payload))
	if m.QoS == 0 {
		return nil
	}
	select {
	case <-time.After(b.takes):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// TestSlowBrokerStarvesNoLeaf changes the volumes faster than a slow broker accepts
// them: the other leaves are sent all the same, and a reply after the leaves that it is
// about.
func TestSlowBrokerStarvesNoLeaf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLink(mqtt.Endpoint{}, "test", "cart", nil, func(fillcalc.Text) {})
		broker := &slowBroker{takes: 300 * time.Millisecond}
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
			// The effect of a command is set before its reply.
			l.sendReading([]byte("newest"))
			for _, leaf := range []wire.Leaf{wire.JobLeaf, wire.VolumesLeaf, wire.WindowLeaf} {
				l.set(leaf, []byte("closed"))
			}
			l.reply("the-end", wire.Reply{OK: true})
		}()
		l.set(wire.JobLeaf, []byte("flows"))
		l.set(wire.VolumesLeaf, []byte("flows"))
		l.set(wire.AlertsLeaf, []byte("overfull"))
		if err := l.flush(ctx, broker.publish); err != nil {
			t.Fatal(err)
		}
		if at := slices.Index(broker.sent, "alerts overfull"); at != 2 {
			t.Errorf("the alert is message %d of %q", at, broker.sent)
		}
		answer := slices.IndexFunc(broker.sent, func(m string) bool { return strings.HasPrefix(m, "replies/the-end ") })
		for _, leaf := range []string{"job", "volumes", "window"} {
			if at := slices.Index(broker.sent, leaf+" closed"); at < 0 || at > answer {
				t.Errorf("%s is message %d, the reply %d of %q", leaf, at, answer, broker.sent)
			}
		}
		if !slices.Contains(broker.sent, "readings newest") {
			t.Errorf("no reading in %q", broker.sent)
		}
	})
}

// TestSlowBrokerAtAStop checks that a stop does not wait for a slow broker: replies are
// sent before leaves, which are sent again after the next start.
func TestSlowBrokerAtAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLink(mqtt.Endpoint{}, "test", "cart", nil, func(fillcalc.Text) {})
		broker := &slowBroker{takes: 400 * time.Millisecond}
		for _, leaf := range []wire.Leaf{wire.JobLeaf, wire.VolumesLeaf, wire.WindowLeaf, wire.AlertsLeaf} {
			l.set(leaf, []byte("closed"))
		}
		l.reply("the-end", wire.Reply{OK: true})
		began := time.Now()
		l.goodbye(broker.publish)
		if took := time.Since(began); took > 1500*time.Millisecond {
			t.Errorf("it took %s", took)
		}
		if len(broker.sent) < 2 || !strings.HasPrefix(broker.sent[0], "replies/the-end ") || !strings.HasPrefix(broker.sent[len(broker.sent)-1], "presence ") {
			t.Errorf("sent %q", broker.sent)
		}
	})
}
