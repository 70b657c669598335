package broker

import (
	"context"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
)

// startEmbedded starts the embedded broker alone. section is the broker's section of a
// configuration.
func startEmbedded(t testing.TB, section string) (b *Broker, url string) {
	t.Helper()
	b, err := Start(journaltest.BareConfig(t, t.TempDir(), section).Broker, bridgetest.Log())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b, "tcp://" + b.Address()
}

// Names and passwords decide who may connect to the embedded broker, and to Mosquitto
// with the example files.
func TestAuthentication(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	_, users := startEmbedded(t, bridgetest.EmbeddedUsers)
	_, open := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
	mosquitto := bridgetest.SecureMosquitto(t)
	for _, k := range []struct {
		name, url, user, password string
		in                        bool
	}{
		{"user", users, "board", "secret", true},
		{"user without rights", users, "nothing", "secret", true},
		{"wrong password", users, "board", "Secret", false},
		{"no password", users, "board", "", false},
		{"longer password", users, "board", "secret1", false},
		{"unknown user", users, "somebody", "secret", false},
		{"another case", users, "Board", "secret", false},
		{"anonymous", users, "", "", false},
		{"the bridge's name", users, bridgeUser, "secret", false},
		{"the bridge's name, no password", users, bridgeUser, "", false},
		{"anonymous, none configured", open, "", "", true},
		{"a name, none configured", open, "board", "secret", false},
		{"the bridge's name, none configured", open, bridgeUser, "", false},
		{"mosquitto: user", mosquitto.URL, "board", "secret", true},
		{"mosquitto: wrong password", mosquitto.URL, "board", "Secret", false},
		{"mosquitto: unknown user", mosquitto.URL, "somebody", "secret", false},
		{"mosquitto: anonymous", mosquitto.URL, "", "", false},
	} {
		_, err := bridgetest.Client(t, k.url, k.user, k.password, nil)
		if (err == nil) != k.in {
			t.Errorf("%s: %v, want accepted: %v", k.name, err, k.in)
		}
	}
}

// Rights decide what a user may subscribe to on the embedded broker, and which messages
// arrive, whatever the filter matches.
func TestSubscriptionsOnTheEmbeddedBroker(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	for _, users := range []bool{true, false} {
		section := `{listen: "127.0.0.1:0"}`
		if users {
			section = bridgetest.EmbeddedUsers
		}
		b, url := startEmbedded(t, section)
		bridge, err := bridgetest.Client(t, url, bridgeUser, b.password, nil)
		if err != nil {
			t.Fatal(err)
		}
		send := func(topic string, retained bool) {
			if !bridge.Publish(topic, 1, retained, "x").WaitTimeout(10 * time.Second) {
				t.Fatal("publishing: no answer")
			}
		}
		// Retained before anybody subscribes.
		send(bridgetest.Topics+"volumes", true)
		send(bridgetest.Topics+"commands", true)
		send("other/volumes", true)

		names := []string{""}
		if users {
			names = []string{"board", "keypad", "tablet", "nothing"}
		}
		for _, name := range names {
			reads := name == "" || name == "board" || name == "tablet"
			password := "secret"
			if name == "" {
				password = ""
			}
			for filter, grant := range map[string]bool{
				"bayfill/#": true, "bayfill/+/+/+": true, bridgetest.Topics + "#": true, bridgetest.Topics + "volumes": true, bridgetest.Topics + "commands/#": true,
				"#": false, "+/#": false, "+/+/+/commands": false, "+/+/+/+": false, bridgetest.Topics + "commands": false, "bayfill/+/+/commands": false,
				"$SYS/#": false, "$SYS/broker/version": false, "$share/g/bayfill/#": false, "$share/g/" + bridgetest.Topics + "commands": false,
				"other/#": false, "bayfill": false, "bayfil/#": false,
			} {
				t.Run(fmt.Sprintf("%s %s", name, filter), func(t *testing.T) {
					c, err := bridgetest.Client(t, url, name, password, nil)
					if err != nil {
						t.Fatal(err)
					}
					got := make(chan string, 100)
					token := c.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) { got <- m.Topic() })
					if !token.WaitTimeout(10 * time.Second) {
						t.Fatal("no answer")
					}
					var code byte
					for _, code = range token.(*mqtt.SubscribeToken).Result() {
					}
					if granted := code <= 2; granted != (grant && reads) {
						t.Errorf("granted: %v (%d), want %v", granted, code, grant && reads)
					}
					send(bridgetest.Topics+"commands", false)
					send("other/volumes", false)
					send(bridgetest.Topics+"volumes", false)
					// Messages arrive in order, so the last one is known.
					wanted := 0
					if grant && reads && filter != bridgetest.Topics+"commands/#" {
						wanted = 2 // the retained one and the live one
					}
					for range wanted {
						select {
						case topic := <-got:
							if topic != bridgetest.Topics+"volumes" {
								t.Errorf("%s was delivered", topic)
							}
						case <-time.After(10 * time.Second):
							t.Fatal("volumes do not arrive")
						}
					}
					// After a round trip to the broker no message is still on the way.
					c.Unsubscribe(filter).WaitTimeout(10 * time.Second)
					for len(got) > 0 {
						// The broker acknowledges before it delivers, so messages of an earlier
						// round may arrive, but only at users who may read them.
						if topic := <-got; wanted == 0 || topic != bridgetest.Topics+"volumes" {
							t.Errorf("%s was delivered", topic)
						}
					}
				})
			}
		}
	}
}

// A user of one cart can neither read nor command another cart, whatever the filter
// matches.
func TestUserOfOneCart(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	c := journaltest.BareConfig(t, t.TempDir(), bridgetest.EmbeddedUsers)
	for i := range c.Broker.Users {
		c.Broker.Users[i].Carts = []string{"cart"}
	}
	if err := c.Check(); err != nil {
		t.Fatal(err)
	}
	b, err := Start(c.Broker, bridgetest.Log())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	url := "tcp://" + b.Address()
	bridge, err := bridgetest.Client(t, url, bridgeUser, b.password, nil)
	if err != nil {
		t.Fatal(err)
	}
	const other = "bayfill/test/cart2/"
	for _, topic := range []string{bridgetest.Topics + "volumes", other + "volumes", "bayfill/canary"} {
		bridge.Publish(topic, 1, true, "x").WaitTimeout(10 * time.Second)
	}
	for filter, grant := range map[string]bool{
		bridgetest.Topics + "volumes": true, bridgetest.Topics + "#": true, "bayfill/+/+/volumes": true, "bayfill/#": true, "bayfill/test/#": true, "bayfill/test/+/#": true,
		other + "volumes": false, other + "#": false, "bayfill/+/cart2/volumes": false, "bayfill/cart": false, "bayfill/+": false,
	} {
		tablet, err := bridgetest.Client(t, url, "tablet", "secret", nil)
		if err != nil {
			t.Fatal(err)
		}
		got := make(chan string, 100)
		token := tablet.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) { got <- m.Topic() })
		if !token.WaitTimeout(10 * time.Second) {
			t.Fatalf("%s: no answer", filter)
		}
		if code := token.(*mqtt.SubscribeToken).Result()[filter]; (code <= 2) != grant {
			t.Errorf("%s: granted: %v, want %v", filter, code <= 2, grant)
		}
		bridge.Publish(other+"replies/x", 1, false, "x").WaitTimeout(10 * time.Second)
		bridge.Publish(bridgetest.Topics+"volumes", 1, false, "x").WaitTimeout(10 * time.Second)
		for range 2 { // the retained one and the live one, which is the last
			if !grant {
				break
			}
			select {
			case topic := <-got:
				if topic != bridgetest.Topics+"volumes" {
					t.Errorf("%s brought %s", filter, topic)
				}
			case <-time.After(10 * time.Second):
				t.Fatalf("%s: volumes do not arrive", filter)
			}
		}
		tablet.Unsubscribe(filter).WaitTimeout(10 * time.Second)
		for len(got) > 0 {
			if topic := <-got; topic != bridgetest.Topics+"volumes" || !grant {
				t.Errorf("%s brought %s", filter, topic)
			}
		}
	}

	heard := make(chan string, 100)
	bridge.Subscribe("bayfill/test/+/commands", 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m.Topic() }).WaitTimeout(10 * time.Second)
	for _, topic := range []string{other + "commands", bridgetest.Topics + "commands"} { // the broker ends the connection that sends the first one
		keypad, err := bridgetest.Client(t, url, "keypad", "secret", nil)
		if err != nil {
			t.Fatal(err)
		}
		keypad.Publish(topic, 1, false, "{}").WaitTimeout(2 * time.Second)
	}
	if _, err := bridgetest.Client(t, url, "keypad", "secret", func(o *mqtt.ClientOptions) { o.SetWill(other+"commands", "{}", 1, true) }); err == nil {
		t.Error("a will that commands another cart was accepted")
	}
	select {
	case topic := <-heard:
		if topic != bridgetest.Topics+"commands" || len(heard) > 0 {
			t.Errorf("a command arrived on %s, and %d more", topic, len(heard))
		}
	case <-time.After(10 * time.Second):
		t.Error("no command arrived at the user's own cart")
	}
	c.Broker.Users[0].Carts = []string{"bay9"}
	if err := c.Check(); err == nil || err.Error() != `broker.users[0].carts: "bay9" is not one of the configured carts, which are cart` {
		t.Errorf("an unknown cart: %v", err)
	}
}

// A reader cannot command through a last will, which the broker publishes without
// checking access again.
func TestWillCannotCommand(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	_, open := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
	_, users := startEmbedded(t, bridgetest.EmbeddedUsers)
	for _, k := range []struct {
		name, url, user, password, topic string
		in                               bool
	}{
		{"anybody commands", open, "", "", bridgetest.Topics + "commands", false},
		{"anybody forges", open, "", "", bridgetest.Topics + "volumes", false},
		{"anybody, elsewhere", open, "", "", "other", false},
		{"reader commands", users, "board", "secret", bridgetest.Topics + "commands", false},
		{"reader forges", users, "board", "secret", bridgetest.Topics + "presence", false},
		{"keypad commands", users, "keypad", "secret", bridgetest.Topics + "commands", true},
		{"keypad forges", users, "keypad", "secret", bridgetest.Topics + "volumes", false},
	} {
		_, err := bridgetest.Client(t, k.url, k.user, k.password, func(o *mqtt.ClientOptions) { o.SetWill(k.topic, "{}", 1, true) })
		if (err == nil) != k.in {
			t.Errorf("%s: %v, want accepted: %v", k.name, err, k.in)
		}
	}
}

// Retained messages outlive a day, after which the library deletes them by default. The
// test makes the messages older instead of waiting.
func TestRetainedOutlivesADay(t *testing.T) {
	b, url := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
	bridge, err := bridgetest.Client(t, url, bridgeUser, b.password, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, leaf := range wire.StateLeaves {
		bridge.Publish(bridgetest.Topics+string(leaf), 1, true, `{"leaf":"`+string(leaf)+`"}`).WaitTimeout(10 * time.Second)
	}
	// The canary is a century old: once it is deleted, the library has checked the ages.
	bridge.Publish("bayfill/canary", 1, true, "x").WaitTimeout(10 * time.Second)
	retained := b.server.Topics.Retained
	aged := 0
	for topic, m := range retained.GetAll() {
		if !strings.HasPrefix(topic, "bayfill/") {
			continue
		}
		day := int64(25 * 3600)
		if topic == "bayfill/canary" {
			day *= 100 * 365
		}
		m.Created -= day
		if m.Expiry > 0 {
			m.Expiry -= day
		}
		retained.Add(topic, m)
		aged++
	}
	if aged != len(wire.StateLeaves)+1 {
		t.Fatalf("%d messages are retained", aged)
	}
	bridgetest.Eventually(t, 20*time.Second, "the library to delete old messages", func() bool { _, there := retained.Get("bayfill/canary"); return !there })
	s := bridgetest.Subscribe(t, url, "", "", bridgetest.EveryLeaf()...)
	s.Invented = true
	for _, leaf := range wire.StateLeaves {
		bridgetest.Eventually(t, 10*time.Second, "retained "+string(leaf), func() bool {
			m, ok := s.Last("/" + string(leaf))
			return ok && m.Retained && string(m.Payload) == `{"leaf":"`+string(leaf)+`"}`
		})
	}
}

// A second broker on one port says which setting, which process, and what to do.
func TestPortIsTaken(t *testing.T) {
	b, _ := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
	_, err := Start(config.Broker{Listen: b.Address()}, bridgetest.Log())
	for _, want := range []string{"broker.listen: " + b.Address() + " is in use by process ", "stop that process, or set another port", "broker.url"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// Connections that never authenticate must neither keep others out nor keep the broker
// from closing.
func TestIdleConnectionsOfTheEmbeddedBroker(t *testing.T) {
	bridgetest.Slow(t)
	b, err := Start(config.Broker{Listen: "127.0.0.1:0"}, bridgetest.Log())
	if err != nil {
		t.Fatal(err)
	}
	// A first client that stays: the way the library counts connections is a data race
	// when the first one comes while the broker closes.
	if _, err := bridgetest.Client(t, "tcp://"+b.Address(), "", "", nil); err != nil {
		t.Fatal(err)
	}
	idle := func() {
		c, err := net.Dial("tcp", b.Address())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
	}
	for range 300 {
		idle()
	}
	began := time.Now()
	if _, err := bridgetest.Client(t, "tcp://"+b.Address(), "", "", func(o *mqtt.ClientOptions) { o.SetConnectTimeout(30 * time.Second) }); err != nil {
		t.Errorf("300 idle connections keep a client out: %v", err)
	}
	t.Logf("connected after %.1f s", time.Since(began).Seconds())
	idle()
	closed := make(chan struct{})
	began = time.Now()
	go func() { b.Close(); close(closed) }()
	select {
	case <-closed:
		t.Logf("ended after %.1f s", time.Since(began).Seconds())
	case <-time.After(30 * time.Second):
		t.Fatal("an idle connection keeps the broker from closing")
	}
	if took := time.Since(began); took >= ConnectWithin-time.Second {
		t.Errorf("ended after %v: as long as an idle connection may take", took)
	}
}

// The broker closes while clients leave. The library takes a lock twice there, and
// blocked for ever when a client left in between.
func TestBrokerClosesWhileClientsLeave(t *testing.T) {
	b, err := Start(journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`).Broker, bridgetest.Log())
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var leaving sync.WaitGroup
	for range 8 {
		leaving.Go(func() {
			for ctx.Err() == nil {
				b.server.Clients.Delete("somebody")
			}
		})
	}
	ended := make(chan error, 1)
	go func() { ended <- b.Close() }()
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(10 * time.Second):
		stop()
		t.Fatal("the broker does not close") // nor do the goroutines that wait for its lock
	}
	stop()
	leaving.Wait()
}
