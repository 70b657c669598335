package bridge

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"bayfill/sim"
)

const testCart = "bayfill/test/cart/"

// promised is how soon after a broker's return all is true: ten seconds, and as
// much again for a loaded machine.
const promised = 20 * time.Second

// bareConfig is a cart with one scale that says nothing: enough where only MQTT
// matters. broker is that section of the file.
func bareConfig(t testing.TB, data, broker string) *Config {
	t.Helper()
	c, err := ParseConfig([]byte(fmt.Sprintf(`
shop: test
data: %s
broker: %s
fluids: [{name: used, density_kg_m3: 858}, {name: fresh, density_kg_m3: 846}]
carts:
  - name: cart
    sensors: [{name: caddy, role: caddy, port: none, protocol: line, pattern: value-unit, capacity_kg: 30, resolution_kg: 0.005}]
`, data, broker)))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// mute opens a port at which nobody speaks.
func mute(_, _ string) (io.ReadWriteCloser, error) {
	_, host := sim.NewPipe()
	return host, nil
}

// online waits until presence says so, in another session than the one given.
func online(t testing.TB, s *subscriber, notSession string) Presence {
	t.Helper()
	var p Presence
	eventually(t, 20*time.Second, "presence online", func() bool {
		p = read[Presence](s, PresenceLeaf)
		return p.Online && p.Session != notSession
	})
	return p
}

// neverBack holds everything that one subscriber received against the promise
// that no older state follows a newer one.
func neverBack(t testing.TB, all []message) {
	t.Helper()
	type stamp struct {
		TS  string `json:"ts"`
		Seq uint64 `json:"seq"`
	}
	newest := map[string]stamp{}
	for _, m := range all {
		var now stamp
		if err := json.Unmarshal(m.payload, &now); err != nil {
			t.Fatalf("%s: %v", m.topic, err)
		}
		before := newest[m.topic]
		if now.TS < before.TS || now.Seq < before.Seq {
			t.Errorf("%s went back from %+v to %+v", m.topic, before, now)
		}
		newest[m.topic] = now
	}
}

// given is the newest payload that a link was given for each leaf.
func given(l *link) map[Leaf]string {
	l.mu.Lock()
	defer l.mu.Unlock()
	all := map[Leaf]string{}
	for leaf, s := range l.state {
		all[leaf] = string(s.payload)
	}
	return all
}

// A broker that was away for ten minutes of a job, and has forgotten
// everything, ends with the newest value of every leaf; nobody sees an older
// one again.
func TestOutageEndsWithTheNewest(t *testing.T) {
	// What is measured does not matter here, only which of it is newest: one weight
	// a second, so that a loaded machine keeps up.
	const speed = 100
	broker := startMosquitto(t)
	rig := testRigAt(t, speed, 0.1)
	s := subscribe(t, broker.url, "", "", testCart+"volumes", testCart+"window", testCart+"job", testCart+"alerts")
	b, stop := runBridge(t, testConfig(t, rig, t.TempDir(), broker.url, ""), speed)
	l := b.carts[0].link
	keypad := subscribe(t, broker.url, "", "", testCart+"#")
	first := online(t, keypad, "")
	keypad.must(openTestJob, `"do":"phase","phase":"draining"`)
	rig.Do((*sim.Cart).OpenDrain)
	eventually(t, 20*time.Second, "half a kilogram in the caddy", func() bool { return rig.Truth().DrainedKg > 0.5 })

	broker.stop(syscall.SIGKILL)
	before := read[VolumesMessage](s, VolumesLeaf)
	// While nobody hears it: the drain runs out, a tool is laid down, a probe falls
	// silent and speaks again.
	rig.Do(func(c *sim.Cart) { c.LayOnCaddy(0.7) })
	rig.Faults("probe").Set(sim.FaultSettings{Silent: true})
	now := func() (v VolumesMessage) { json.Unmarshal([]byte(given(l)[VolumesLeaf]), &v); return v }
	minutes := func(from, to string) float64 {
		a, errA := time.Parse(rfc3339, from)
		b, errB := time.Parse(rfc3339, to)
		if err := errors.Join(errA, errB); err != nil {
			t.Fatal(err)
		}
		return b.Sub(a).Minutes()
	}
	eventually(t, 30*time.Second, "five minutes on the cart's clock", func() bool { return minutes(before.TS, now().TS) > 5 })
	rig.Faults("probe").Set(sim.FaultSettings{})
	eventually(t, 30*time.Second, "ten minutes on the cart's clock", func() bool { return minutes(before.TS, now().TS) > 10 })
	atReturn := now()
	back := time.Now()
	broker.start()
	second := online(t, keypad, first.Session)
	took := time.Since(back)
	if took > promised {
		t.Errorf("online again after %v", took)
	}
	eventually(t, 20*time.Second, "live volumes", func() bool { return read[VolumesMessage](s, VolumesLeaf).Seq > atReturn.Seq+100 })

	all := s.all()
	neverBack(t, all)
	returned := 0
	for i, m := range all {
		var v VolumesMessage
		if json.Unmarshal(m.payload, &v); strings.HasSuffix(m.topic, "/volumes") && v.Seq > before.Seq {
			returned = i
			break
		}
	}
	for _, m := range all[returned:] {
		var v VolumesMessage
		if json.Unmarshal(m.payload, &v); v.TS < atReturn.TS {
			t.Errorf("%s from the outage was sent: %s, the broker came back at %s", m.topic, v.TS, atReturn.TS)
		}
	}
	t.Logf("%.1f minutes away, %d events; online again after %.1f s as %s",
		minutes(before.TS, atReturn.TS), atReturn.Seq-before.Seq, took.Seconds(), second.Session)

	// Nothing moves after the stop: then every leaf can be held against what the
	// link was given last.
	stop()
	late := subscribe(t, broker.url, "", "", testCart+"#")
	want := given(l)
	for _, leaf := range stateLeaves[1:] {
		eventually(t, 5*time.Second, "retained "+string(leaf), func() bool { _, ok := late.last("/" + string(leaf)); return ok })
		if m, _ := late.last("/" + string(leaf)); !m.retained || string(m.payload) != want[leaf] {
			t.Errorf("retained %s is\n%s\nthe newest was\n%s", leaf, m.payload, want[leaf])
		}
	}
	if a := read[AlertsMessage](late, AlertsLeaf); strings.Contains(string(encode(a)), "broker") {
		t.Errorf("the broker is back and still an alert: %+v", a)
	}
}

// proxy stands between the bridge and a broker. It can stop passing bytes on
// without closing anything, as a router does that has lost its table; what it
// holds back may come through late.
type proxy struct {
	url string

	mu     sync.Mutex
	passes *sync.Cond
	count  int // connections so far
	live   int // their two directions that have not ended
	dark   int // those up to this one pass nothing on
}

func startProxy(t testing.TB, to string) *proxy {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{url: "tcp://" + listener.Addr().String()}
	p.passes = sync.NewCond(&p.mu)
	var pumps sync.WaitGroup
	var conns []net.Conn
	pump := func(n int, from, to net.Conn) {
		defer to.Close()
		buf := make([]byte, 4096)
		for {
			k, err := from.Read(buf)
			p.mu.Lock()
			for n <= p.dark {
				p.passes.Wait()
			}
			p.mu.Unlock()
			if _, writeErr := to.Write(buf[:k]); err != nil || writeErr != nil {
				p.mu.Lock()
				p.live--
				p.mu.Unlock()
				return
			}
		}
	}
	pumps.Go(func() {
		for {
			near, err := listener.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				near.Close()
				continue
			}
			p.mu.Lock()
			p.count++
			p.live += 2
			n := p.count
			conns = append(conns, near, far)
			p.mu.Unlock()
			pumps.Go(func() { pump(n, near, far) })
			pumps.Go(func() { pump(n, far, near) })
		}
	})
	t.Cleanup(func() {
		listener.Close()
		p.pass(0)
		p.mu.Lock()
		for _, c := range conns {
			c.Close()
		}
		p.mu.Unlock()
		pumps.Wait()
	})
	return p
}

// pass lets connections after the nth through, and only those.
func (p *proxy) pass(n int) {
	p.mu.Lock()
	p.dark = n
	p.mu.Unlock()
	p.passes.Broadcast()
}

func (p *proxy) connections() (all, live int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.count, (p.live + 1) / 2
}

// A link that swallows everything without closing: the bridge notices, comes
// back when it can, and whatever the old connection still delivers changes
// nothing.
func TestHalfOpenLink(t *testing.T) {
	broker := startMosquitto(t)
	p := startProxy(t, broker.address)
	s := subscribe(t, broker.url, "", "", testCart+"#")
	config := bareConfig(t, t.TempDir(), `{url: "`+p.url+`"}`)
	// Short patience only: the broker keeps the stuck connection, as it would for
	// the fifteen seconds that follow from a keepalive of ten.
	b, _ := runBridgeWith(t, config, Options{Speed: 50, Open: mute}, func(b *Bridge) { b.carts[0].link.patience = time.Second })
	l := b.carts[0].link
	first := online(t, s, "")
	seq := func() uint64 { return read[VolumesMessage](s, VolumesLeaf).Seq }
	eventually(t, 10*time.Second, "live volumes", func() bool { return seq() > 100 })

	p.pass(math.MaxInt)
	frozen := time.Now()
	eventually(t, 20*time.Second, "the alert", func() bool { return strings.Contains(given(l)[AlertsLeaf], `"broker"`) })
	noticed := time.Since(frozen)
	if noticed > 12*time.Second {
		t.Errorf("noticed after %v: by the pings only", noticed)
	}
	dark, _ := p.connections()
	eventually(t, 20*time.Second, "a new try", func() bool { all, _ := p.connections(); return all > dark })
	if last := read[Presence](s, PresenceLeaf); last.Session != first.Session {
		t.Fatalf("the proxy leaks: presence is %+v", last)
	}
	// New connections pass; those that are stuck stay stuck.
	dark, _ = p.connections()
	p.pass(dark)
	online(t, s, first.Session)
	atReturn := seq()
	eventually(t, 10*time.Second, "live volumes", func() bool { return seq() > atReturn+100 })
	// Now the stuck ones deliver what they held: state, and the tries to connect
	// in between, which throw the present connection out.
	p.pass(0)
	eventually(t, 10*time.Second, "the end of what was stuck", func() bool { _, live := p.connections(); return live == 1 })
	eventually(t, 10*time.Second, "presence as it is", func() bool {
		now, _ := s.last("/presence")
		return string(now.payload) == given(l)[PresenceLeaf]
	})
	atRelease := seq()
	eventually(t, 10*time.Second, "more volumes", func() bool { return seq() > atRelease+100 })
	if now, _ := s.last("/presence"); string(now.payload) != given(l)[PresenceLeaf] {
		t.Errorf("presence is %s, the bridge said last %s", now.payload, given(l)[PresenceLeaf])
	}
	neverBack(t, s.all())
	all, _ := p.connections()
	t.Logf("noticed after %.1f s, %d connections", noticed.Seconds(), all)
}

// A quiet cart has nothing to publish: then the pings must find out.
func TestHalfOpenQuietLink(t *testing.T) {
	broker := startMosquitto(t)
	p := startProxy(t, broker.address)
	told := make(chan string, 100)
	l := newLink(address{url: p.url}, "test", "cart", make(chan incoming, 1), func(trouble string) { told <- trouble })
	l.keepAlive, l.patience = time.Second, time.Second
	runLink(t, l)
	hear := func(what string, ok func(string) bool) {
		t.Helper()
		eventually(t, 20*time.Second, what, func() bool {
			select {
			case text := <-told:
				return ok(text)
			default:
				return false
			}
		})
	}
	hear("the connection", func(text string) bool { return text == "" })
	p.pass(math.MaxInt)
	frozen := time.Now()
	hear("the loss", func(text string) bool { return text != "" })
	t.Logf("noticed after %.1f s", time.Since(frozen).Seconds())
	dark, _ := p.connections()
	p.pass(dark)
	hear("the connection", func(text string) bool { return text == "" })
}

// runLink runs a link until stop is called or the test ends.
func runLink(t testing.TB, l *link) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { l.run(ctx); close(done) }()
	stop = func() { cancel(); <-done }
	t.Cleanup(stop)
	return stop
}

// A will that arrives late, or anything else untrue on the leaf presence, is put
// right by the bridge.
func TestPresenceAfterALateWill(t *testing.T) {
	broker := startMosquitto(t)
	s := subscribe(t, broker.url, "", "", testCart+"#")
	s.invented = true
	runBridgeWith(t, bareConfig(t, t.TempDir(), `{url: "`+broker.url+`"}`), Options{Open: mute}, nil)
	birth := online(t, s, "")
	for _, untrue := range []string{
		string(encode(Presence{Session: "0123456789abcdef", Version: Version, Contract: ContractVersion})),
		string(encode(Presence{Session: birth.Session, Version: Version, Contract: ContractVersion})),
		string(encode(Presence{Online: true, Session: "0123456789abcdef"})),
		`{"online":true}`, `online`, `[]`, ``,
	} {
		before := len(s.all())
		s.publish(testCart+"presence", true, untrue)
		eventually(t, 10*time.Second, "the correction of "+untrue, func() bool {
			sawIt := false
			for _, m := range s.all()[before:] {
				var p Presence
				switch {
				case m.topic != testCart+"presence":
				case string(m.payload) == untrue:
					sawIt = true
				case sawIt:
					return json.Unmarshal(m.payload, &p) == nil && p.Online && p.Session == birth.Session && p.Since != nil
				}
			}
			return false
		})
	}
	late := subscribe(t, broker.url, "", "", testCart+"presence")
	if p := online(t, late, ""); p.Session != birth.Session {
		t.Errorf("retained presence is %+v, want session %s", p, birth.Session)
	}
}

// A broker that comes back with an older file on its disk says for a moment what
// was true then. Within ten seconds it must say what is true now.
func TestPresenceAfterAnOlderBrokerFile(t *testing.T) {
	kept := t.TempDir()
	broker := startMosquitto(t, "persistence true", "persistence_location "+kept+"/", "autosave_interval 0")
	s := subscribe(t, broker.url, "", "", testCart+"#", "canary")
	data := t.TempDir()
	config := func() *Config { return bareConfig(t, data, `{url: "`+broker.url+`"}`) }
	_, stop := runBridgeWith(t, config(), Options{Open: mute}, nil)
	first := online(t, s, "")
	stop()
	s.publish("canary", true, "old")
	broker.cmd.Process.Signal(syscall.SIGUSR1) // save now
	file := filepath.Join(kept, "mosquitto.db")
	var old []byte
	eventually(t, 10*time.Second, "the broker's file", func() bool {
		old, _ = os.ReadFile(file)
		return strings.Contains(string(old), "canary") && strings.Contains(string(old), first.Session)
	})
	s.publish("canary", true, "new")

	b, _ := runBridgeWith(t, config(), Options{Open: mute, Speed: 20}, nil)
	second := online(t, s, first.Session)
	s.must(openTestJob)
	eventually(t, 10*time.Second, "the job", func() bool { return read[JobMessage](s, JobLeaf).Job == "job-1" })
	broker.stop(syscall.SIGTERM)
	if err := os.WriteFile(file, old, 0o600); err != nil {
		t.Fatal(err)
	}
	back := time.Now()
	broker.start()
	late := subscribe(t, broker.url, "", "", testCart+"#", "canary")
	eventually(t, 10*time.Second, "the canary", func() bool { _, ok := late.last("canary"); return ok })
	if m, _ := late.last("canary"); string(m.payload) != "old" {
		t.Fatalf("the broker came back with %q: not the older file", m.payload)
	}
	l := b.carts[0].link
	eventually(t, 20*time.Second, "every leaf as the bridge gave it last", func() bool {
		now := given(l)
		for _, leaf := range stateLeaves {
			if m, _ := late.last("/" + string(leaf)); string(m.payload) != now[leaf] {
				return false
			}
		}
		return read[Presence](late, PresenceLeaf).Online
	})
	took := time.Since(back)
	if took > promised {
		t.Errorf("true again after %v", took)
	}
	if j := read[JobMessage](late, JobLeaf); j.Job != "job-1" || read[Presence](late, PresenceLeaf).Session == second.Session {
		t.Errorf("job %q, presence %+v", j.Job, read[Presence](late, PresenceLeaf))
	}
	t.Logf("true again after %.1f s", took.Seconds())
}

// A clean stop, whatever the link is busy with: presence says why, and the last
// of every leaf has gone out before.
func TestPresenceAfterACleanStop(t *testing.T) {
	broker := startMosquitto(t)
	s := subscribe(t, broker.url, "", "", testCart+"#")
	for round := range 20 {
		l := newLink(address{url: broker.url}, "test", "cart", make(chan incoming, 1), func(string) {})
		stop := runLink(t, l)
		online(t, s, "")
		var busy sync.WaitGroup
		ended := make(chan struct{})
		busy.Go(func() {
			for n := 1; ; n++ {
				l.set(VolumesLeaf, encode(VolumesMessage{TS: timestamp(time.Now().UnixNano()), Seq: uint64(n), Quality: "good"}))
				l.sendReading(encode(ReadingMessage{TS: timestamp(time.Now().UnixNano()), Sensor: "caddy", N: uint64(n), Faults: []string{}}))
				select {
				case <-ended:
					return
				case <-time.After(time.Duration(round%4) * 100 * time.Microsecond):
				}
			}
		})
		eventually(t, 10*time.Second, "traffic", func() bool { return read[VolumesMessage](s, VolumesLeaf).Seq > 20 })
		// The cart stops before its link.
		close(ended)
		busy.Wait()
		job := fmt.Sprint("job-", round)
		l.reply("last", Reply{OK: true, Job: job})
		stop()
		var p Presence
		eventually(t, 10*time.Second, "the goodbye", func() bool { p = read[Presence](s, PresenceLeaf); return !p.Online })
		if p.Why != "stopped" || p.Since != nil {
			t.Fatalf("round %d: presence is %+v after a clean stop", round, p)
		}
		if m, _ := s.last("/volumes"); string(m.payload) != given(l)[VolumesLeaf] {
			t.Fatalf("round %d: the last volumes sent are %s, the newest were %s", round, m.payload, given(l)[VolumesLeaf])
		}
		if read[Reply](s, "replies/last").Job != job {
			t.Fatalf("round %d: the last reply did not go out", round)
		}
	}
}

// Two bridges that were given the same name throw each other out. They must do
// so at a bearable pace and guess the reason, also while connected, since only
// then does anybody hear it; and when one goes the other's presence is true.
func TestTwoBridgesWithOneName(t *testing.T) {
	broker := startMosquitto(t)
	s := subscribe(t, broker.url, "", "", testCart+"presence")
	var mu sync.Mutex
	lost, connected := 0, 0 // how often the guess was told
	var links []*link
	var stops []func()
	began := time.Now()
	for range 2 {
		l := newLink(address{url: broker.url}, "test", "cart", make(chan incoming, 1), func(trouble string) {
			mu.Lock()
			defer mu.Unlock()
			if strings.Contains(trouble, "another client with the id bayfill-test-cart probably takes over") {
				if strings.HasPrefix(trouble, "broker tcp://") {
					lost++
				} else {
					connected++
				}
			}
		})
		links = append(links, l)
		stops = append(stops, runLink(t, l))
	}
	sessions := func() int {
		seen := map[string]bool{}
		for _, m := range s.all() {
			var p Presence
			if json.Unmarshal(m.payload, &p) == nil && p.Online {
				seen[p.Session] = true
			}
		}
		return len(seen)
	}
	// One of the two comes for the third time: after pauses of one and two seconds.
	eventually(t, 30*time.Second, "five connections", func() bool { return sessions() >= 5 })
	took := time.Since(began)
	if took < 2900*time.Millisecond {
		t.Errorf("five connections in %v: they spin", took)
	}
	eventually(t, 30*time.Second, "the guess", func() bool { mu.Lock(); defer mu.Unlock(); return lost > 0 && connected > 0 })
	t.Logf("five connections in %.1f s", took.Seconds())
	stops[1]()
	eventually(t, 30*time.Second, "the one that stays", func() bool {
		p := read[Presence](s, PresenceLeaf)
		return p.Online && strings.Contains(given(links[0])[PresenceLeaf], p.Session)
	})
}

// A broker that lets the bridge in but does not let it read its commands: the
// client library takes the refusal for success, the bridge says what to do.
func TestRefusedSubscriptionIsTold(t *testing.T) {
	server := mqttd.New(&mqttd.Options{Logger: testLog()})
	if err := server.AddHook(new(noCommands), nil); err != nil {
		t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0"})
	if err := server.AddListener(listener); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Close() })
	url := "tcp://" + listener.Address()
	s := subscribe(t, url, "", "", testCart+"presence", testCart+"alerts")
	runBridgeWith(t, bareConfig(t, t.TempDir(), `{url: "`+url+`"}`), Options{Open: mute}, nil)
	online(t, s, "")
	eventually(t, 10*time.Second, "the alert", func() bool {
		for _, a := range read[AlertsMessage](s, AlertsLeaf).Alerts {
			if a.Kind == "broker" {
				return a.Text == "the broker does not let this cart read its commands: give its user the right to "+testCart+"commands"
			}
		}
		return false
	})
}

// noCommands lets everybody do everything except read commands.
type noCommands struct{ mqttd.HookBase }

func (*noCommands) Provides(what byte) bool {
	return what == mqttd.OnConnectAuthenticate || what == mqttd.OnACLCheck
}
func (*noCommands) OnConnectAuthenticate(*mqttd.Client, packets.Packet) bool { return true }
func (*noCommands) OnACLCheck(_ *mqttd.Client, topic string, write bool) bool {
	return write || !commandTopic(topic)
}

// Mosquitto grants subscriptions and then sends nothing, when its access list
// does not let the user read: the bridge misses its own presence.
func TestSilentlyRefusedSubscriptionIsTold(t *testing.T) {
	acl := filepath.Join(t.TempDir(), "acl")
	if err := os.WriteFile(acl, []byte("topic write bayfill/#\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	broker := startMosquitto(t, "acl_file "+acl)
	told := make(chan string, 100)
	l := newLink(address{url: broker.url}, "test", "cart", make(chan incoming, 1), func(trouble string) { told <- trouble })
	l.patience = 500 * time.Millisecond
	runLink(t, l)
	eventually(t, 20*time.Second, "what is wrong", func() bool {
		l.set(VolumesLeaf, []byte("{}")) // as a live cart does all the time
		for len(told) > 0 {
			if strings.Contains(<-told, "does not send this cart its own presence back: give its user the right to read bayfill/test/cart/presence") {
				return true
			}
		}
		return false
	})
}

// The alert about the broker ends when the broker is back, even if the cart had
// no room for the news at that moment.
func TestBrokerAlertEndsThoughTheInboxWasFull(t *testing.T) {
	broker := startMosquitto(t)
	broker.stop(syscall.SIGKILL)
	c := &cart{inbox: make(chan happening, 1)}
	l := newLink(address{url: broker.url}, "test", "cart", make(chan incoming, 1), c.tell("broker"))
	runLink(t, l)
	eventually(t, 10*time.Second, "the trouble", func() bool { return len(c.inbox) == 1 })
	broker.start()
	s := subscribe(t, broker.url, "", "", testCart+"presence")
	online(t, s, "")
	if h := <-c.inbox; h.alert != "broker" || h.text == "" {
		t.Fatalf("the cart was told %+v", h)
	}
	eventually(t, 10*time.Second, "the end of the trouble", func() bool {
		l.set(VolumesLeaf, []byte("{}"))
		select {
		case h := <-c.inbox:
			return h.alert == "broker" && h.text == ""
		default:
			return false
		}
	})
}

// everyLeaf names all that a cart sends, one by one: the embedded broker's
// library reads the topics of retained messages without a lock when it looks for
// a wildcard, and the race detector sees it.
func everyLeaf() []string {
	topics := []string{testCart + "readings", testCart + "replies/+"}
	for _, leaf := range stateLeaves {
		topics = append(topics, testCart+string(leaf))
	}
	return topics
}

// both runs a test against the two brokers: s may read and command.
func both(t *testing.T, test func(t *testing.T, config func() *Config, o Options, s func(*Bridge) *subscriber)) {
	t.Run("mosquitto", func(t *testing.T) {
		broker := startMosquitto(t)
		data := t.TempDir()
		test(t, func() *Config { return bareConfig(t, data, `{url: "`+broker.url+`"}`) }, Options{Open: mute},
			func(*Bridge) *subscriber { return subscribe(t, broker.url, "", "", testCart+"#") })
	})
	t.Run("embedded", func(t *testing.T) {
		t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
		data := t.TempDir()
		test(t, func() *Config {
			return bareConfig(t, data, `{listen: "127.0.0.1:0", users: [{name: keypad, password: {env: BAYFILL_TEST_PASSWORD}, may: [read, command]}]}`)
		}, Options{Open: mute},
			func(b *Bridge) *subscriber { return subscribe(t, b.BrokerURL(), "keypad", "secret", everyLeaf()...) })
	})
}

// inputsIn counts the inputs in a journal by the id of their command.
func inputsIn(t testing.TB, c *Config) map[string]int {
	t.Helper()
	journal, err := OpenJournal(c.JournalPath("cart"))
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	events, err := journal.Events(context.Background(), 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	for _, e := range events {
		if e.Input != nil && e.Input.ID != "" {
			counts[e.Input.ID]++
		}
	}
	return counts
}

// neverOffline fails when presence said anything but online in this session.
func neverOffline(t testing.TB, s *subscriber, birth Presence) {
	t.Helper()
	for _, m := range s.all() {
		var p Presence
		if strings.HasSuffix(m.topic, "/presence") && (json.Unmarshal(m.payload, &p) != nil || !p.Online || p.Session != birth.Session) {
			t.Errorf("presence in between was %s", m.payload)
		}
	}
}

// Whatever is sent as a command, the bridge stays connected and answers once:
// under the command's id where it has a usable one, else under "refused".
func TestCommandsOfEveryKind(t *testing.T) {
	both(t, func(t *testing.T, config func() *Config, o Options, as func(*Bridge) *subscriber) {
		c := config()
		b, stop := runBridgeWith(t, c, o, nil)
		s := as(b)
		birth := online(t, s, "")
		const job = `"fluid":"fresh","low_c":35,"high_c":45`
		deep := strings.Repeat("[", 10000)
		cases := []struct {
			name, payload string
			reply         string // the end of the topic
			says          string // in the error; empty: done
		}{
			{"good", `{"id":"open-1","do":"open","job":"j1",` + job + `}`, "open-1", ""},
			{"repeated", `{"id":"open-1","do":"open","job":"j1",` + job + `}`, "open-1", ""},
			{"repeated in another order", `{"do":"open", "id":"open-1",` + job + `,"job":"j1"}`, "open-1", ""},
			{"its id for another command", `{"id":"open-1","do":"abandon","why":"no"}`, "open-1", "id: was used for another command, use a new one"},
			{"its id with another figure", `{"id":"open-1","do":"open","job":"j1","fluid":"fresh","low_c":34,"high_c":45}`, "open-1", "id: was used for another command"},
			{"not now", `{"id":"open-2","do":"open",` + job + `}`, "open-2", "job j1 is still open"},
			{"longest id", `{"id":"` + strings.Repeat("x", 64) + `","do":"republish"}`, strings.Repeat("x", 64), ""},
			{"id too long", `{"id":"` + strings.Repeat("x", 65) + `","do":"republish"}`, "refused", "id: must be"},
			{"id of 70 kB", `{"id":"` + strings.Repeat("x", 70<<10) + `","do":"republish"}`, "refused", "at most"},
			{"id #", `{"id":"#","do":"republish"}`, "refused", "id: must be"},
			{"id +", `{"id":"+","do":"republish"}`, "refused", "id: must be"},
			{"id a/b", `{"id":"a/b","do":"republish"}`, "refused", "id: must be"},
			{"id with NUL", `{"id":"a\u0000b","do":"republish"}`, "refused", "id: must be"},
			{"raw NUL", "{\"id\":\"a\x00b\",\"do\":\"republish\"}", "refused", "not JSON at byte"},
			{"id with a line break", `{"id":"a\n","do":"republish"}`, "refused", "id: must be"},
			{"empty id", `{"id":"","do":"republish"}`, "refused", "id: must be"},
			{"no id", `{"do":"republish"}`, "refused", "id: must be"},
			{"id null", `{"id":null,"do":"republish"}`, "refused", "id: must be"},
			{"id a number", `{"id":7,"do":"republish"}`, "refused", "id: a JSON number"},
			{"unknown field", `{"id":"u1","do":"phase","phase":"draining","fase":"x"}`, "u1", "fase: not a field of phase: did you mean phase?"},
			{"unknown field, near none", `{"id":"u2","do":"close","zzzzzz":1}`, "u2", "zzzzzz: not a field of close: it has id, do"},
			{"field of another command", `{"id":"u3","do":"phase","phase":"draining","step":1}`, "u3", "step: not a field of phase"},
			{"wrong type", `{"id":"w1","do":"open","fluid":"fresh","low_c":"35","high_c":45}`, "w1", "low_c: a JSON string, want float64"},
			{"step not whole", `{"id":"w2","do":"decide","step":1.5,"as":"fluid"}`, "w2", "step: a JSON number 1.5, want int"},
			{"missing field", `{"id":"m1","do":"decide","as":"fluid"}`, "m1", "step: decide needs it"},
			{"field null", `{"id":"m2","do":"phase","phase":null}`, "m2", "phase: phase needs it"},
			{"unknown do", `{"id":"d1","do":"tare"}`, "d1", `do: "tare" is not one of open, phase`},
			{"no do", `{"id":"d2"}`, "d2", `do: "" is not one of`},
			{"long do", `{"id":"d3","do":"` + strings.Repeat("x", 5000) + `"}`, "d3", "do: "},
			{"too late", `{"id":"l1","do":"republish","not_after":"2020-01-01T00:00:00Z"}`, "l1", "not_after: it is 20"},
			{"in time", `{"id":"l2","do":"republish","not_after":"2120-01-01T00:00:00Z"}`, "l2", ""},
			{"far from late", `{"id":"l5","do":"republish","not_after":"9999-12-31T23:59:59Z"}`, "l5", ""},
			{"time that is none", `{"id":"l3","do":"republish","not_after":"soon"}`, "l3", `not_after: "soon" is not a time like 20`},
			{"time that is a number", `{"id":"l4","do":"republish","not_after":5}`, "l4", "not_after: a JSON number, want string"},
			{"unknown fluid", `{"id":"f1","do":"open","fluid":"milk","low_c":35,"high_c":45}`, "f1", `fluid: "milk" is not configured, known are fresh, used`},
			{"unknown phase", `{"id":"p1","do":"phase","phase":"lunch"}`, "p1", `phase: "lunch" is not one of`},
			{"step that is none", `{"id":"s1","do":"decide","step":9,"as":"fluid"}`, "s1", "step: 9 is not one of"},
			{"1 MB in a field", `{"id":"b1","do":"abandon","why":"` + strings.Repeat("x", 1<<20-60) + `"}`, "b1", "at most"},
			{"2 MB in a field", `{"id":"b0","do":"abandon","why":"` + strings.Repeat("x", 2<<20) + `"}`, "refused", "at most"},
			{"1 MB of nothing", strings.Repeat("x", 1<<20), "refused", "at most"},
			{"20 kB", `{"id":"b2","do":"abandon","why":"` + strings.Repeat("x", 20<<10) + `"}`, "b2", "at most"},
			{"long text", `{"id":"b3","do":"abandon","why":"` + strings.Repeat("x", 201) + `"}`, "b3", "why: 201 bytes, at most 200"},
			{"not JSON", `tare!`, "refused", "not JSON at byte 2"},
			{"cut off", `{"id":"c1","do":"repub`, "refused", "not JSON at byte"},
			{"nothing", ``, "refused", "not JSON at byte 0"},
			{"blank", ` `, "refused", "not JSON at byte 1"},
			{"two objects", `{"id":"t1","do":"republish"}{"id":"t2","do":"republish"}`, "refused", "not JSON at byte"},
			{"an array", `[{"id":"t1","do":"republish"}]`, "refused", "a command is a JSON object"},
			{"null", `null`, "refused", "a command is a JSON object"},
			{"a string", `"republish"`, "refused", "a command is a JSON object"},
			{"deep", deep, "refused", "not JSON at byte"},
			{"deep and closed", `{"id":"n1","do":"close","by":` + deep + strings.Repeat("]", 10000) + `}`, "refused", "at most"},
			{"deep, as deep as fits", `{"id":"n2","do":"close","by":` + deep[:8000] + strings.Repeat("]", 8000) + `}`, "n2", "by: a JSON array, want string"},
			{"good again", `{"id":"enter-1","do":"enter","what":"spilled","l":0.1}`, "enter-1", ""},
		}
		want := map[string]int{}
		sent := map[string]bool{}
		for _, k := range cases {
			if b.broker != nil && len(k.payload) > 60<<10 {
				// The embedded broker ends the sender's connection, and passes nothing on.
				sender, err := client(t, b.BrokerURL(), "keypad", "secret", nil)
				if err != nil {
					t.Fatal(err)
				}
				sender.Publish(testCart+"commands", 1, false, k.payload)
				eventually(t, 10*time.Second, "the end of who sent "+k.name, func() bool { return !sender.IsConnected() })
				continue
			}
			sent[k.name] = true
			before := want[k.reply]
			want[k.reply]++
			s.publish(testCart+"commands", false, k.payload)
			var r Reply
			replies := func() (all []message) {
				for _, m := range s.all() {
					if m.topic == testCart+"replies/"+k.reply {
						all = append(all, m)
					}
				}
				return all
			}
			eventually(t, 10*time.Second, "the reply to "+k.name, func() bool { return len(replies()) > before })
			m := replies()[before]
			if err := json.Unmarshal(m.payload, &r); err != nil {
				t.Fatalf("%s: %v in %s", k.name, err, m.payload)
			}
			switch {
			case r.OK != (k.says == ""), !strings.Contains(r.Error, k.says):
				t.Errorf("%s: %s, want %q", k.name, m.payload, k.says)
			case (k.reply == "refused") != (r.ID == nil), r.ID != nil && *r.ID != k.reply:
				t.Errorf("%s: the id in %s is not that of the topic", k.name, m.payload)
			case len(m.payload) > 1000:
				t.Errorf("%s: a reply of %d bytes", k.name, len(m.payload))
			}
		}
		// Nothing else came, and open-1 sent again was answered the same.
		counts := map[string]int{}
		var opened []string
		for _, m := range s.all() {
			if id, ok := strings.CutPrefix(m.topic, testCart+"replies/"); ok {
				counts[id]++
				if id == "open-1" {
					opened = append(opened, string(m.payload))
				}
			}
		}
		for id, n := range counts {
			if n != want[id] {
				t.Errorf("%d replies to %s, %d commands", n, id, want[id])
			}
		}
		if opened[1] != opened[0] || opened[2] != opened[0] {
			t.Errorf("a repeated id is answered differently: %q", opened)
		}
		neverOffline(t, s, birth)
		t.Logf("%d commands", len(sent))
		stop()
		done := inputsIn(t, c)
		if len(done) != 2 || done["open-1"] != 1 || done["enter-1"] != 1 {
			t.Errorf("done were %v, want open-1 and enter-1, once each", done)
		}
	})
}

// More commands at once than the cart takes: each is answered, once, and done
// exactly when the answer says so.
func TestCommandFlood(t *testing.T) {
	both(t, func(t *testing.T, config func() *Config, o Options, as func(*Bridge) *subscriber) {
		c := config()
		b, stop := runBridgeWith(t, c, o, nil)
		s := as(b)
		birth := online(t, s, "")
		s.must(openTestJob)
		const n = 500
		for i := range n {
			s.client.Publish(testCart+"commands", 1, false, fmt.Sprintf(`{"id":"f%d","do":"baseline"}`, i))
		}
		replies := func() map[string][]string {
			all := map[string][]string{}
			for _, m := range s.all() {
				if id, ok := strings.CutPrefix(m.topic, testCart+"replies/f"); ok {
					all["f"+id] = append(all["f"+id], string(m.payload))
				}
			}
			return all
		}
		for end := time.Now().Add(20 * time.Second); len(replies()) < n && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		}
		s.must(`"do":"republish"`) // it is answered after all that came before
		ok, busy := map[string]bool{}, 0
		for id, all := range replies() {
			var r Reply
			if err := json.Unmarshal([]byte(all[0]), &r); err != nil || len(all) != 1 {
				t.Errorf("%s was answered %q", id, all)
			}
			switch {
			case r.OK:
				ok[id] = true
			case strings.HasPrefix(r.Error, "busy: "):
				busy++
			default:
				t.Errorf("%s: %s", id, r.Error)
			}
		}
		if len(ok)+busy != n {
			t.Errorf("%d done and %d told to wait, of %d", len(ok), busy, n)
		}
		neverOffline(t, s, birth)
		t.Logf("%d done, %d busy", len(ok), busy)
		stop()
		done := inputsIn(t, c)
		for id := range ok {
			if done[id] != 1 {
				t.Errorf("%s was answered as done and is in the journal %d times", id, done[id])
			}
		}
		if len(done) != len(ok)+1 { // and open
			t.Errorf("%d were done, %d answered as done", len(done)-1, len(ok))
		}
	})
}

// A command that the broker keeps is done at most once, however often it is
// delivered again, and not at all when it was kept before the bridge came.
func TestRetainedCommand(t *testing.T) {
	broker := startMosquitto(t)
	s := subscribe(t, broker.url, "", "", testCart+"#")
	c := bareConfig(t, t.TempDir(), `{url: "`+broker.url+`"}`)
	replied := func(id string, times int) Reply {
		t.Helper()
		var r Reply
		eventually(t, 10*time.Second, "a reply to "+id, func() bool {
			n := 0
			for _, m := range s.all() {
				if m.topic == testCart+"replies/"+id {
					n++
					if json.Unmarshal(m.payload, &r) != nil {
						t.Fatalf("reply %s", m.payload)
					}
				}
			}
			return n == times
		})
		return r
	}
	// Kept before there was a bridge.
	s.publish(testCart+"commands", true, `{"id":"old-1",`+openTestJob+`}`)
	_, stop := runBridgeWith(t, c, Options{Open: mute}, nil)
	first := online(t, s, "")
	if r := replied("old-1", 1); r.OK || !strings.HasPrefix(r.Error, "retained: ") {
		t.Errorf("a kept command was answered %+v", r)
	}
	// Sent to a live bridge, the broker does not say that it keeps it.
	s.publish(testCart+"commands", true, `{"id":"live-1",`+openTestJob+`}`)
	if r := replied("live-1", 1); !r.OK {
		t.Errorf("a live command was answered %+v", r)
	}
	for times := 2; times <= 3; times++ {
		stop()
		// The kept one comes again with each start, and then once more by hand.
		_, stop = runBridgeWith(t, c, Options{Open: mute}, nil)
		online(t, s, first.Session)
		if r := replied("live-1", 2*times-2); !r.OK || r.Job != "job-1" {
			t.Errorf("repeated after a restart: %+v", r)
		}
		s.publish(testCart+"commands", false, `{"id":"live-1",`+openTestJob+`}`)
		if r := replied("live-1", 2*times-1); !r.OK || r.Job != "job-1" {
			t.Errorf("repeated by hand after a restart: %+v", r)
		}
	}
	stop()
	if done := inputsIn(t, c); len(done) != 1 || done["live-1"] != 1 {
		t.Errorf("done were %v, want live-1 once", done)
	}
}
