package bridge

import (
	"net"
	neturl "net/url"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
)

// Reading and commanding are separate rights, on both brokers.
func TestReadOnlyUserCannotCommand(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	t.Run("mosquitto", func(t *testing.T) {
		broker := bridgetest.SecureMosquitto(t)
		c := journaltest.BareConfig(t, t.TempDir(), `{url: "`+broker.URL+`", username: bridge, password: {env: BAYFILL_TEST_PASSWORD}}`)
		testRights(t, c)
	})
	t.Run("embedded", func(t *testing.T) {
		testRights(t, journaltest.BareConfig(t, t.TempDir(), bridgetest.EmbeddedUsers))
	})
}

// After a stop no goroutine runs any more: cart, link, forwarder, journal, broker.
func TestStopLeaksNothing(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	before := goleak.IgnoreCurrent()
	c := journaltest.BareConfig(t, t.TempDir(), bridgetest.EmbeddedUsers)
	c.History = config.History{URL: "http://" + bridgetest.FreePort(t), Bucket: "b"} // nobody answers
	b, stop := runBridgeWith(t, c, Options{Open: bridgetest.Mute}, nil)
	tablet := bridgetest.Subscribe(t, b.BrokerURL(), "tablet", "secret", bridgetest.EveryLeaf()...)
	bridgetest.Online(t, tablet, "")
	tablet.Must(bridgetest.OpenJob)
	tablet.Client.Disconnect(50)
	stop()
	goleak.VerifyNone(t, before)
}

// testRights tries what only the tablet and the keypad may do.
func testRights(t *testing.T, config *config.Config) {
	b, stop := runBridgeWith(t, config, Options{Open: bridgetest.Mute}, nil)
	url := b.BrokerURL()
	tablet := bridgetest.Subscribe(t, url, "tablet", "secret", bridgetest.EveryLeaf()...)
	birth := bridgetest.Online(t, tablet, "")
	filters := append(bridgetest.EveryLeaf(), bridgetest.Topics+"commands", "bayfill/+/+/commands")
	if b.broker == nil {
		filters = append(filters, "bayfill/#", "#", "+/+/+/commands", "$SYS/#")
	}
	board := bridgetest.Subscribe(t, url, "board", "secret", filters...)
	bridgetest.Online(t, board, "")
	keypadHears := bridgetest.Subscribe(t, url, "keypad", "secret", append(bridgetest.EveryLeaf(), bridgetest.Topics+"commands")...)

	// Each uses a connection of its own, because the embedded broker ends it. An accepted will
	// is published when the connection breaks.
	try := func(user, topic, payload string, retained bool) {
		t.Helper()
		c, err := bridgetest.Client(t, url, user, "secret", nil)
		if err != nil {
			t.Fatal(err)
		}
		c.Publish(topic, 1, retained, payload).WaitTimeout(2 * time.Second)
		c.Publish(topic, 0, retained, payload).WaitTimeout(2 * time.Second)
	}
	will := func(user, topic, payload string) {
		t.Helper()
		var wire net.Conn
		_, err := bridgetest.Client(t, url, user, "secret", func(o *mqtt.ClientOptions) {
			o.SetWill(topic, payload, 1, true)
			o.SetCustomOpenConnectionFn(func(*neturl.URL, mqtt.ClientOptions) (net.Conn, error) {
				var err error
				wire, err = net.Dial("tcp", strings.TrimPrefix(url, "tcp://"))
				return wire, err
			})
		})
		wire.Close()
		// Mosquitto checks access when it publishes the will.
		if b.broker != nil && err == nil {
			t.Errorf("%s was let in with a will on %s", user, topic)
		}
	}
	forged := string(wire.Encode(wire.Volumes{TS: "2099-01-01T00:00:00.000Z", Job: "forged"}))
	try("board", bridgetest.Topics+"commands", `{"id":"board-1",`+bridgetest.OpenJob+`}`, false)
	try("board", bridgetest.Topics+"commands", `{"id":"board-2",`+bridgetest.OpenJob+`}`, true)
	will("board", bridgetest.Topics+"commands", `{"id":"board-will",`+bridgetest.OpenJob+`}`)
	for _, user := range []string{"board", "keypad", "tablet"} {
		try(user, bridgetest.Topics+"volumes", forged, true)
		try(user, bridgetest.Topics+"presence", `{"online":false}`, true)
		try(user, bridgetest.Topics+"replies/forged", "{}", false)
		will(user, bridgetest.Topics+"volumes", forged)
	}
	// A client with the bridge's client id would end the bridge's connection if it were accepted.
	if b.broker != nil {
		if _, err := bridgetest.Client(t, url, "board", "secret", func(o *mqtt.ClientOptions) { o.SetClientID("bayfill-test-cart") }); err == nil {
			t.Error("a board was let in under the bridge's client id")
		}
	}

	// The keypad may command, although it does not receive the reply.
	try("keypad", bridgetest.Topics+"commands", `{"id":"keypad-1",`+bridgetest.OpenJob+`}`, false)
	bridgetest.Eventually(t, time.Minute, "the keypad's job", func() bool { return bridgetest.Read[wire.Job](tablet, wire.JobLeaf).Job == "job-1" })
	tablet.Must(`"do":"abandon","why":"test"`, `"do":"republish"`)
	bridgetest.Eventually(t, time.Minute, "the board to follow", func() bool { return bridgetest.Read[wire.Job](board, wire.JobLeaf).Phase == "abandoned" })

	for _, m := range tablet.All() {
		if strings.Contains(m.Topic, "/replies/board-") || strings.Contains(m.Topic, "forged") || strings.Contains(string(m.Payload), "forged") {
			t.Errorf("%s: %s", m.Topic, m.Payload)
		}
	}
	bridgetest.NeverOffline(t, tablet, birth)
	for _, m := range board.All() {
		if strings.HasSuffix(m.Topic, "/commands") || !strings.HasPrefix(m.Topic, bridgetest.Topics) {
			t.Errorf("the board heard %s: %s", m.Topic, m.Payload)
		}
	}
	for _, m := range keypadHears.All() {
		t.Errorf("the keypad heard %s", m.Topic)
	}
	stop()
	for id, n := range journaltest.InputsIn(t, config) {
		if strings.HasPrefix(id, "board-") {
			t.Errorf("%s was done %d times", id, n)
		}
	}
}
