package bridge

import (
	"fmt"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
)

// A user who may command floods the broker. The cart stays online and handles commands again
// soon after. Most commands of the flood are answered "busy" or are lost between broker and
// client; none is half done.
func TestFloodOverTheWire(t *testing.T) {
	both(t, func(t *testing.T, config func() *config.Config, o Options, as func(*Bridge) *bridgetest.Subscriber) {
		c := config()
		b, stop := runBridgeWith(t, c, o, nil)
		s := as(b)
		birth := bridgetest.Online(t, s, "")
		user, password := "", ""
		if b.broker != nil {
			user, password = "keypad", "secret"
		}
		flooder, err := bridgetest.Client(t, b.BrokerURL(), user, password, nil)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		var last mqtt.Token
		for i := range 10_000 {
			last = flooder.Publish(bridgetest.Topics+"commands", 0, false, fmt.Sprintf(`{"id":"flood%d","do":"close"}`, i))
		}
		last.WaitTimeout(10 * time.Second)
		t.Logf("10,000 commands sent in %v", time.Since(began).Round(time.Millisecond))
		// The broker may drop it or the cart may be busy, so it is sent again, as people do.
		var sent time.Time
		bridgetest.Eventually(t, time.Minute, "a command to be done", func() bool {
			if time.Since(sent) > time.Second {
				s.Publish(bridgetest.Topics+"commands", false, `{"id":"person","do":"republish"}`)
				sent = time.Now()
			}
			return bridgetest.Read[wire.Reply](s, "replies/person").OK
		})
		t.Logf("a command is done %v after the flood began", time.Since(began).Round(time.Millisecond))
		bridgetest.NeverOffline(t, s, birth)
		stop()
		if done := journaltest.InputsIn(t, c); len(done) != 0 {
			t.Errorf("done were %v", done)
		}
	})
}
