package bridge

import (
	"context"
	"fmt"
	"net"
	neturl "net/url"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"
)

// client is an MQTT client of somebody, connected or refused.
func client(t testing.TB, url, username, password string, change func(*mqtt.ClientOptions)) (mqtt.Client, error) {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("test-%d", time.Now().UnixNano()))
	o.SetUsername(username).SetPassword(password).SetProtocolVersion(4).SetAutoReconnect(false).SetConnectTimeout(10 * time.Second)
	if change != nil {
		change(o)
	}
	c := mqtt.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(20 * time.Second) {
		t.Fatal("connecting: no answer")
	}
	if token.Error() == nil {
		t.Cleanup(func() { c.Disconnect(0) })
	}
	return c, token.Error()
}

// embeddedUsers is that section of a configuration, with one user of each kind.
const embeddedUsers = `{listen: "127.0.0.1:0", users: [
    {name: board, password: {env: BAYFILL_TEST_PASSWORD}, may: [read]},
    {name: keypad, password: {env: BAYFILL_TEST_PASSWORD}, may: [command]},
    {name: tablet, password: {env: BAYFILL_TEST_PASSWORD}, may: [read, command]},
    {name: nothing, password: {env: BAYFILL_TEST_PASSWORD}}]}`

// startEmbedded runs the embedded broker alone.
func startEmbedded(t testing.TB, section string) (b *Broker, url string) {
	t.Helper()
	b, err := StartBroker(bareConfig(t, t.TempDir(), section).Broker, testLog())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b, "tcp://" + b.Address()
}

// secureMosquitto is a broker with the example access list and a password file.
func secureMosquitto(t testing.TB) *mosquitto {
	t.Helper()
	passwd := needProgram(t, "mosquitto_passwd")
	file := filepath.Join(t.TempDir(), "passwd")
	for i, user := range []string{"bridge", "board", "keypad", "tablet"} {
		args := []string{"-b", file, user, "secret"}
		if i == 0 {
			args = append([]string{"-c"}, args...)
		}
		if out, err := exec.Command(passwd, args...).CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
		}
	}
	acl, err := filepath.Abs("../testdata/mosquitto/acl")
	if err != nil {
		t.Fatal(err)
	}
	return startMosquitto(t, "allow_anonymous false", "password_file "+file, "acl_file "+acl)
}

// Reading and commanding are separate rights, on both brokers.
func TestReadOnlyUserCannotCommand(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	t.Run("mosquitto", func(t *testing.T) {
		broker := secureMosquitto(t)
		c := bareConfig(t, t.TempDir(), `{url: "`+broker.url+`", username: bridge, password: {env: BAYFILL_TEST_PASSWORD}}`)
		testRights(t, c)
	})
	t.Run("embedded", func(t *testing.T) {
		testRights(t, bareConfig(t, t.TempDir(), embeddedUsers))
	})
}

// testRights tries what nobody but the tablet and the keypad may do.
func testRights(t *testing.T, config *Config) {
	b, stop := runBridgeWith(t, config, Options{Open: mute}, nil)
	url := b.BrokerURL()
	tablet := subscribe(t, url, "tablet", "secret", everyLeaf()...)
	birth := online(t, tablet, "")
	filters := append(everyLeaf(), testCart+"commands", "bayfill/+/+/commands")
	if b.broker == nil {
		filters = append(filters, "bayfill/#", "#", "+/+/+/commands", "$SYS/#")
	}
	board := subscribe(t, url, "board", "secret", filters...)
	online(t, board, "")
	keypadHears := subscribe(t, url, "keypad", "secret", append(everyLeaf(), testCart+"commands")...)

	// Each on a connection of its own: the embedded broker ends it. The wills go
	// out, where they are let through, when the connection breaks.
	try := func(user, topic, payload string, retained bool) {
		t.Helper()
		c, err := client(t, url, user, "secret", nil)
		if err != nil {
			t.Fatal(err)
		}
		c.Publish(topic, 1, retained, payload).WaitTimeout(2 * time.Second)
		c.Publish(topic, 0, retained, payload).WaitTimeout(2 * time.Second)
	}
	will := func(user, topic, payload string) {
		t.Helper()
		var wire net.Conn
		_, err := client(t, url, user, "secret", func(o *mqtt.ClientOptions) {
			o.SetWill(topic, payload, 1, true)
			o.SetCustomOpenConnectionFn(func(*neturl.URL, mqtt.ClientOptions) (net.Conn, error) {
				var err error
				wire, err = net.Dial("tcp", strings.TrimPrefix(url, "tcp://"))
				return wire, err
			})
		})
		wire.Close()
		// Mosquitto looks when it sends the will.
		if b.broker != nil && err == nil {
			t.Errorf("%s was let in with a will on %s", user, topic)
		}
	}
	forged := string(encode(VolumesMessage{TS: "2099-01-01T00:00:00.000Z", Job: "forged"}))
	try("board", testCart+"commands", `{"id":"board-1",`+openTestJob+`}`, false)
	try("board", testCart+"commands", `{"id":"board-2",`+openTestJob+`}`, true)
	will("board", testCart+"commands", `{"id":"board-will",`+openTestJob+`}`)
	for _, user := range []string{"board", "keypad", "tablet"} {
		try(user, testCart+"volumes", forged, true)
		try(user, testCart+"presence", `{"online":false}`, true)
		try(user, testCart+"replies/forged", "{}", false)
		will(user, testCart+"volumes", forged)
	}
	// Who takes the bridge's client id throws it out, were it let in.
	if b.broker != nil {
		if _, err := client(t, url, "board", "secret", func(o *mqtt.ClientOptions) { o.SetClientID("bayfill-test-cart") }); err == nil {
			t.Error("a board was let in under the bridge's client id")
		}
	}

	// The keypad may, though it does not hear the reply.
	try("keypad", testCart+"commands", `{"id":"keypad-1",`+openTestJob+`}`, false)
	eventually(t, 10*time.Second, "the keypad's job", func() bool { return read[JobMessage](tablet, JobLeaf).Job == "job-1" })
	tablet.must(`"do":"abandon","why":"test"`, `"do":"republish"`)
	eventually(t, 10*time.Second, "the board to follow", func() bool { return read[JobMessage](board, JobLeaf).Phase == "abandoned" })

	for _, m := range tablet.all() {
		if strings.Contains(m.topic, "/replies/board-") || strings.Contains(m.topic, "forged") || strings.Contains(string(m.payload), "forged") {
			t.Errorf("%s: %s", m.topic, m.payload)
		}
	}
	neverOffline(t, tablet, birth)
	for _, m := range board.all() {
		if strings.HasSuffix(m.topic, "/commands") || !strings.HasPrefix(m.topic, testCart) {
			t.Errorf("the board heard %s: %s", m.topic, m.payload)
		}
	}
	for _, m := range keypadHears.all() {
		t.Errorf("the keypad heard %s", m.topic)
	}
	stop()
	for id, n := range inputsIn(t, config) {
		if strings.HasPrefix(id, "board-") {
			t.Errorf("%s was done %d times", id, n)
		}
	}
}

// Who is let in: names and passwords on the embedded broker, and on Mosquitto
// with the example files.
func TestWhoIsLetIn(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	_, users := startEmbedded(t, embeddedUsers)
	_, open := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
	mosquitto := secureMosquitto(t)
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
		{"mosquitto: user", mosquitto.url, "board", "secret", true},
		{"mosquitto: wrong password", mosquitto.url, "board", "Secret", false},
		{"mosquitto: unknown user", mosquitto.url, "somebody", "secret", false},
		{"mosquitto: anonymous", mosquitto.url, "", "", false},
	} {
		_, err := client(t, k.url, k.user, k.password, nil)
		if (err == nil) != k.in {
			t.Errorf("%s: %v, want let in: %v", k.name, err, k.in)
		}
	}
}

// What readers and others may subscribe to on the embedded broker, and what then
// reaches them, whatever the filter covers.
func TestSubscriptionsOnTheEmbeddedBroker(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	for _, users := range []bool{true, false} {
		section := `{listen: "127.0.0.1:0"}`
		if users {
			section = embeddedUsers
		}
		b, url := startEmbedded(t, section)
		bridge, err := client(t, url, bridgeUser, b.password, nil)
		if err != nil {
			t.Fatal(err)
		}
		send := func(topic string, retained bool) {
			if !bridge.Publish(topic, 1, retained, "x").WaitTimeout(10 * time.Second) {
				t.Fatal("publishing: no answer")
			}
		}
		// Kept before anybody listens.
		send(testCart+"volumes", true)
		send(testCart+"commands", true)
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
				"bayfill/#": true, "bayfill/+/+/+": true, testCart + "#": true, testCart + "volumes": true, testCart + "commands/#": true,
				"#": false, "+/#": false, "+/+/+/commands": false, "+/+/+/+": false, testCart + "commands": false, "bayfill/+/+/commands": false,
				"$SYS/#": false, "$SYS/broker/version": false, "$share/g/bayfill/#": false, "$share/g/" + testCart + "commands": false,
				"other/#": false, "bayfill": false, "bayfil/#": false,
			} {
				t.Run(fmt.Sprintf("%s %s", name, filter), func(t *testing.T) {
					c, err := client(t, url, name, password, nil)
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
					send(testCart+"commands", false)
					send("other/volumes", false)
					send(testCart+"volumes", false)
					// What comes, comes in order: the last of it is known.
					wanted := 0
					if grant && reads && filter != testCart+"commands/#" {
						wanted = 2 // the kept one and the live one
					}
					for range wanted {
						select {
						case topic := <-got:
							if topic != testCart+"volumes" {
								t.Errorf("%s was delivered", topic)
							}
						case <-time.After(10 * time.Second):
							t.Fatal("volumes do not come")
						}
					}
					// A round trip to the broker: nothing else was on the way.
					c.Unsubscribe(filter).WaitTimeout(10 * time.Second)
					for len(got) > 0 {
						// The broker acknowledges before it delivers: what an earlier round sent
						// may come to this one, to whom it may come at all.
						if topic := <-got; wanted == 0 || topic != testCart+"volumes" {
							t.Errorf("%s was delivered", topic)
						}
					}
				})
			}
		}
	}
}

// A user who was given one cart neither reads nor commands another, whatever the
// filter covers.
func TestUserOfOneCart(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	c := bareConfig(t, t.TempDir(), embeddedUsers)
	for i := range c.Broker.Users {
		c.Broker.Users[i].Carts = []string{"cart"}
	}
	if err := c.check(); err != nil {
		t.Fatal(err)
	}
	b, err := StartBroker(c.Broker, testLog())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	url := "tcp://" + b.Address()
	bridge, err := client(t, url, bridgeUser, b.password, nil)
	if err != nil {
		t.Fatal(err)
	}
	const other = "bayfill/test/cart2/"
	for _, topic := range []string{testCart + "volumes", other + "volumes", "bayfill/canary"} {
		bridge.Publish(topic, 1, true, "x").WaitTimeout(10 * time.Second)
	}
	for filter, grant := range map[string]bool{
		testCart + "volumes": true, testCart + "#": true, "bayfill/+/+/volumes": true, "bayfill/#": true, "bayfill/test/#": true, "bayfill/test/+/#": true,
		other + "volumes": false, other + "#": false, "bayfill/+/cart2/volumes": false, "bayfill/cart": false, "bayfill/+": false,
	} {
		tablet, err := client(t, url, "tablet", "secret", nil)
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
		bridge.Publish(testCart+"volumes", 1, false, "x").WaitTimeout(10 * time.Second)
		for range 2 { // the kept one and the live one, after which nothing is on the way
			if !grant {
				break
			}
			select {
			case topic := <-got:
				if topic != testCart+"volumes" {
					t.Errorf("%s brought %s", filter, topic)
				}
			case <-time.After(10 * time.Second):
				t.Fatalf("%s: volumes do not come", filter)
			}
		}
		tablet.Unsubscribe(filter).WaitTimeout(10 * time.Second)
		for len(got) > 0 {
			if topic := <-got; topic != testCart+"volumes" || !grant {
				t.Errorf("%s brought %s", filter, topic)
			}
		}
	}

	heard := make(chan string, 100)
	bridge.Subscribe("bayfill/test/+/commands", 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m.Topic() }).WaitTimeout(10 * time.Second)
	for _, topic := range []string{other + "commands", testCart + "commands"} { // the broker ends the connection of who sends the first
		keypad, err := client(t, url, "keypad", "secret", nil)
		if err != nil {
			t.Fatal(err)
		}
		keypad.Publish(topic, 1, false, "{}").WaitTimeout(2 * time.Second)
	}
	if _, err := client(t, url, "keypad", "secret", func(o *mqtt.ClientOptions) { o.SetWill(other+"commands", "{}", 1, true) }); err == nil {
		t.Error("a will that commands another cart was let in")
	}
	select {
	case topic := <-heard:
		if topic != testCart+"commands" || len(heard) > 0 {
			t.Errorf("%s was commanded, and %d more", topic, len(heard))
		}
	case <-time.After(10 * time.Second):
		t.Error("the own cart was not commanded")
	}
	c.Broker.Users[0].Carts = []string{"bay9"}
	if err := c.check(); err == nil || err.Error() != `broker.users[0].carts: "bay9" is no cart of this configuration` {
		t.Errorf("a cart that is none: %v", err)
	}
}

// Readers command through nothing that the broker does for them: a last will is
// published without another look.
func TestWillIsNoCommand(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	_, open := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
	_, users := startEmbedded(t, embeddedUsers)
	for _, k := range []struct {
		name, url, user, password, topic string
		in                               bool
	}{
		{"anybody commands", open, "", "", testCart + "commands", false},
		{"anybody forges", open, "", "", testCart + "volumes", false},
		{"anybody, elsewhere", open, "", "", "other", false},
		{"reader commands", users, "board", "secret", testCart + "commands", false},
		{"reader forges", users, "board", "secret", testCart + "presence", false},
		{"keypad commands", users, "keypad", "secret", testCart + "commands", true},
		{"keypad forges", users, "keypad", "secret", testCart + "volumes", false},
	} {
		_, err := client(t, k.url, k.user, k.password, func(o *mqtt.ClientOptions) { o.SetWill(k.topic, "{}", 1, true) })
		if (err == nil) != k.in {
			t.Errorf("%s: %v, want let in: %v", k.name, err, k.in)
		}
	}
}

// The broker's library forgets what it keeps after a day, unless told otherwise.
// Here the day passes by making the messages older.
func TestRetainedOutlivesADay(t *testing.T) {
	b, url := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
	bridge, err := client(t, url, bridgeUser, b.password, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, leaf := range stateLeaves {
		bridge.Publish(testCart+string(leaf), 1, true, `{"leaf":"`+string(leaf)+`"}`).WaitTimeout(10 * time.Second)
	}
	// The canary is a century old: when it has gone, the library has looked.
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
	if aged != len(stateLeaves)+1 {
		t.Fatalf("%d messages are kept", aged)
	}
	eventually(t, 20*time.Second, "the library to look", func() bool { _, there := retained.Get("bayfill/canary"); return !there })
	s := subscribe(t, url, "", "", everyLeaf()...)
	s.invented = true
	for _, leaf := range stateLeaves {
		eventually(t, 10*time.Second, "retained "+string(leaf), func() bool {
			m, ok := s.last("/" + string(leaf))
			return ok && m.retained && string(m.payload) == `{"leaf":"`+string(leaf)+`"}`
		})
	}
}

// Connections that never say who they are must not keep others out, nor the
// broker from ending.
func TestIdleConnectionsOfTheEmbeddedBroker(t *testing.T) {
	b, err := StartBroker(BrokerConfig{Listen: "127.0.0.1:0"}, testLog())
	if err != nil {
		t.Fatal(err)
	}
	// One that stays, and is there first: the library counts its connections in a
	// way that the race detector objects to when the first comes as the broker ends.
	if _, err := client(t, "tcp://"+b.Address(), "", "", nil); err != nil {
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
	if _, err := client(t, "tcp://"+b.Address(), "", "", func(o *mqtt.ClientOptions) { o.SetConnectTimeout(30 * time.Second) }); err != nil {
		t.Errorf("300 idle connections keep a client out: %v", err)
	}
	t.Logf("let in after %.1f s", time.Since(began).Seconds())
	idle()
	closed := make(chan struct{})
	began = time.Now()
	go func() { b.Close(); close(closed) }()
	select {
	case <-closed:
		t.Logf("ended after %.1f s", time.Since(began).Seconds())
	case <-time.After(30 * time.Second):
		t.Fatal("an idle connection keeps the broker from ending")
	}
	if took := time.Since(began); took >= connectWithin-time.Second {
		t.Errorf("ended after %v: as long as an idle connection may take", took)
	}
}

// After a stop nothing runs any more: cart, link, forwarder, journal, broker.
func TestStopLeaksNothing(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	before := goleak.IgnoreCurrent()
	c := bareConfig(t, t.TempDir(), embeddedUsers)
	c.History = HistoryConfig{URL: "http://" + freePort(t), Bucket: "b"} // nobody answers
	b, stop := runBridgeWith(t, c, Options{Open: mute}, nil)
	tablet := subscribe(t, b.BrokerURL(), "tablet", "secret", everyLeaf()...)
	online(t, tablet, "")
	tablet.must(openTestJob)
	tablet.client.Disconnect(50)
	stop()
	goleak.VerifyNone(t, before)
}

// The broker ends while clients go: the library takes a lock twice there, and a
// client between the two held both for ever.
func TestBrokerEndsWhileClientsGo(t *testing.T) {
	b, err := StartBroker(bareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`).Broker, testLog())
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var going sync.WaitGroup
	for range 8 {
		going.Go(func() {
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
		t.Fatal("the broker does not end") // nor do those that wait for its lock
	}
	stop()
	going.Wait()
}
