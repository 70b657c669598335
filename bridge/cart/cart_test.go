package cart

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// lonely is a cart without a world: its ports are in memory, and what it would publish
// is recorded as soon as it is due. In a synctest bubble its clock is the bubble's:
// minutes pass at once, and nothing depends on the speed of the machine. At the end of
// the test everything is validated against the published schemas.
type lonely struct {
	*Cart
	t     *testing.T
	path  string // of the journal
	ports map[string]*port
	stop  func() // may be called again

	caddyKg, supplyKg, celsius float64

	mu   sync.Mutex
	sent []sentMessage
}

type sentMessage struct {
	at      time.Time
	leaf    string // replies with their id
	payload []byte
}

// port is a serial line whose other end is the test.
type port struct {
	data   chan []byte            // what the instrument sends
	answer atomic.Pointer[string] // what it answers to each request; nil: nothing
	rest   []byte
	closed chan struct{}
}

func (p *port) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		select {
		case p.rest = <-p.data:
		case <-time.After(100 * time.Millisecond):
			return 0, nil
		case <-p.closed:
			return 0, io.EOF
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (p *port) Write(b []byte) (int, error) {
	if answer := p.answer.Load(); answer != nil {
		p.data <- []byte(*answer)
	}
	return len(b), nil
}

func (p *port) Close() error { close(p.closed); return nil }

// newLonely opens a cart that does not run yet.
func newLonely(t *testing.T, config *config.Config) *lonely {
	t.Helper()
	l := &lonely{t: t, path: config.JournalPath("cart"), ports: map[string]*port{}, caddyKg: 3.2, supplyKg: 9.1, celsius: 30}
	for _, s := range config.Carts[0].Sensors {
		l.ports[s.Name] = &port{data: make(chan []byte, 100), closed: make(chan struct{})}
	}
	own, err := New(t.Context(), config, &config.Carts[0], Options{Fluids: config.FluidsByName(), Log: bridgetest.Log(), Speed: 1,
		Open: func(sensor string) (io.ReadWriteCloser, error) { return l.ports[sensor], nil }})
	if err != nil {
		t.Fatal(err)
	}
	l.Cart = own
	l.calibrations.checkedNs = 1 << 62 // never checked again: these carts have no calibrations
	l.stop = func() { own.Close() }
	t.Cleanup(func() {
		l.stop()
		check := bridgetest.ContractCheck(t)
		for _, m := range l.sent {
			check(l.link.prefix+m.leaf, m.payload)
		}
	})
	return l
}

// startLonely opens a cart and runs it until stop or the end of the test.
func startLonely(t *testing.T, config *config.Config) *lonely {
	t.Helper()
	l := newLonely(t, config)
	l.start()
	return l
}

func (l *lonely) start() {
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() {
		if err := l.Run(ctx); err != nil {
			l.t.Errorf("cart: %v", err)
		}
	})
	collecting, uncollect := context.WithCancel(context.Background())
	work.Go(func() { l.collect(collecting) })
	shut := l.stop
	l.stop = sync.OnceFunc(func() {
		cancel()
		// The cart publishes until its end.
		synctest.Wait()
		uncollect()
		work.Wait()
		shut()
	})
}

// collect records what a link would send, in place of one.
func (l *lonely) collect(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-l.link.wake:
		}
		now := time.Now()
		l.mu.Lock()
		l.link.mu.Lock()
		for _, r := range l.link.readings {
			l.sent = append(l.sent, sentMessage{now, string(wire.ReadingsLeaf), r})
		}
		l.link.readings = nil
		for _, r := range l.link.replies {
			l.sent = append(l.sent, sentMessage{now, strings.TrimPrefix(r.topic, l.link.prefix), r.payload})
		}
		l.link.replies = nil
		for _, leaf := range wire.StateLeaves {
			if s := l.link.state[leaf]; s.dirty {
				s.dirty = false
				l.sent = append(l.sent, sentMessage{now, string(leaf), s.payload})
			}
		}
		l.link.mu.Unlock()
		l.mu.Unlock()
	}
}

// all returns what was published on a leaf since the beginning.
func (l *lonely) all(leaf string) []sentMessage {
	synctest.Wait()
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(l.sent), func(m sentMessage) bool { return m.leaf != leaf })
}

// newest decodes what was last published on a leaf.
func newest[T any](l *lonely, leaf wire.Leaf) T {
	l.t.Helper()
	var v T
	all := l.all(string(leaf))
	if len(all) == 0 {
		l.t.Fatalf("nothing was published on %s", leaf)
	}
	if err := json.Unmarshal(all[len(all)-1].payload, &v); err != nil {
		l.t.Fatal(err)
	}
	return v
}

// send sends the cart a command and returns the reply.
func (l *lonely) send(payload string) wire.Reply {
	l.t.Helper()
	id, ok := wire.CommandID([]byte(payload))
	if !ok {
		id = "refused"
	}
	leaf := "replies/" + id
	before := len(l.all(leaf))
	l.commands <- incoming{payload: []byte(payload)}
	replies := l.all(leaf)
	if len(replies) != before+1 {
		l.t.Fatalf("%s: %d replies", payload, len(replies)-before)
	}
	var r wire.Reply
	if err := json.Unmarshal(replies[before].payload, &r); err != nil {
		l.t.Fatal(err)
	}
	return r
}

// must sends commands that have to succeed, each given as the JSON after the id.
func (l *lonely) must(commands ...string) {
	l.t.Helper()
	for _, c := range commands {
		if r := l.send(fmt.Sprintf(`{"id":"m%d",%s}`, l.state.Seq, c)); !r.OK {
			l.t.Fatalf("%s: %s", c, r.Error)
		}
	}
}

// live lets time pass with ten weights and two temperatures a second, while fluid
// moves.
func (l *lonely) live(seconds, drainKgS, pourKgS float64) {
	for i := range int(math.Round(seconds * 10)) {
		// One after the other, so that the order does not depend on the scheduler.
		l.caddyKg += drainKgS / 10
		l.supplyKg -= pourKgS / 10
		time.Sleep(40 * time.Millisecond)
		l.say("caddy", fmt.Sprintf("ST,GS,%+09.3fkg\r\n", math.Round(l.caddyKg/0.005)*0.005))
		time.Sleep(30 * time.Millisecond)
		l.say("supply", fmt.Sprintf("ST,GS,%+09.3fkg\r\n", math.Round(l.supplyKg/0.005)*0.005))
		time.Sleep(30 * time.Millisecond)
		if i%5 == 0 {
			l.say("probe", fmt.Sprintf("%+07.2f C\r\n", l.celsius))
		}
	}
	synctest.Wait()
}

// say lets an instrument send, if the cart has it.
func (l *lonely) say(sensor, text string) {
	if p := l.ports[sensor]; p != nil {
		p.data <- []byte(text)
	}
}

// kept reads all events from the journal of a stopped cart, and checks that there is no
// gap among them.
func kept(t *testing.T, path string) []fillcalc.Event {
	t.Helper()
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	events, err := j.Events(t.Context(), 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range events {
		if e.Seq != events[0].Seq+uint64(i) || i > 0 && e.AtNs <= events[i-1].AtNs {
			t.Fatalf("event %d at %d ns follows event %d at %d ns", e.Seq, e.AtNs, events[i-1].Seq, events[i-1].AtNs)
		}
	}
	return events
}

// TestABurstLosesNoReading lets a sensor send faster than the cart accepts: the sensor
// waits, and nothing is lost or put out of order.
func TestABurstLosesNoReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const burst = 5000
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		p := l.ports["caddy"]
		p.rest = []byte("ST,GS,+0009.999kg\r\n") // the first line after opening does not count
		for i := range burst {
			p.rest = fmt.Appendf(p.rest, "ST,GS,+%08.3fkg\r\n", float64(i)/1000)
		}
		// The sensor alone, without a cart that empties the inbox: it must come to a stop.
		ctx, cancel := context.WithCancel(t.Context())
		var sensor sync.WaitGroup
		sensor.Go(func() { l.runSensor(ctx, l.drivers[0]) })
		defer sensor.Wait()
		defer cancel()
		synctest.Wait()
		if len(l.inbox) != cap(l.inbox) || len(p.rest) == 0 {
			t.Fatalf("the inbox holds %d of %d, %d bytes are still in the port: this burst makes nobody wait", len(l.inbox), cap(l.inbox), len(p.rest))
		}
		l.drivers = nil
		l.start()
		time.Sleep(time.Second)
		synctest.Wait()
		l.stop()
		n := uint64(0)
		for _, e := range kept(t, l.path) {
			if e.Kind != fillcalc.KindWeight {
				continue
			}
			if n++; e.N != n || e.Value != float64(n-1)/1000 {
				t.Fatalf("reading %d: frame %d with %v kg", n, e.N, e.Value)
			}
		}
		if n != burst {
			t.Errorf("%d of %d readings are in the journal", n, burst)
		}
	})
}

// gaps returns the pauses between messages, on the cart's clock.
func gaps(t *testing.T, messages []sentMessage) []time.Duration {
	t.Helper()
	var list []time.Duration
	var before time.Time
	for _, m := range messages {
		var head struct{ TS time.Time }
		if err := json.Unmarshal(m.payload, &head); err != nil {
			t.Fatal(err)
		}
		if !before.IsZero() {
			list = append(list, head.TS.Sub(before))
		}
		before = head.TS
	}
	return list
}

// TestPaceOfVolumesAndWindow checks that volumes and window are published on change, at
// most five times a second, and at least every ten seconds even when no sensor sends.
func TestPaceOfVolumesAndWindow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(2, 0, 0)
		leaves := []string{"volumes", "window"}
		// during returns what is published on each leaf while something happens.
		during := func(pass func()) map[string][]time.Duration {
			before, list := map[string]int{}, map[string][]time.Duration{}
			for _, leaf := range leaves {
				before[leaf] = len(l.all(leaf)) - 1
			}
			pass()
			for _, leaf := range leaves {
				list[leaf] = gaps(t, l.all(leaf)[before[leaf]:])
			}
			return list
		}
		for leaf, list := range during(func() {
			for range 20 { // fluid runs and gets warmer, measured ten times a second
				l.celsius += 0.4
				l.live(1, 0.05, 0)
			}
		}) {
			if shortest := slices.Min(list); shortest < 200*time.Millisecond {
				t.Errorf("%s was published again after %v", leaf, shortest)
			}
			if len(list) < 30 || len(list) > 100 {
				t.Errorf("%s was published %d times in 20 s in which it changed", leaf, len(list))
			}
		}
		for what, pass := range map[string]func(){
			"readings of something at rest": func() { l.live(45, 0, 0) },
			"few readings": func() {
				for range 60 {
					time.Sleep(730 * time.Millisecond)
					l.live(0.1, 0, 0)
				}
			},
			"silence": func() { time.Sleep(45 * time.Second) },
		} {
			l.live(120, 0, 0) // the effects of what came before have ended, the probe's rate last
			for leaf, list := range during(pass) {
				if len(list) < 3 || len(list) > 10 {
					t.Errorf("%s: %s was published %d times in 45 s", what, leaf, len(list))
				}
				if longest := slices.Max(list); longest > 10*time.Second {
					t.Errorf("%s: %s was not published for %v", what, leaf, longest)
				}
			}
		}
	})
}

// TestTicksOnlyInSilence checks that the cart applies ticks only while no reading
// arrives.
func TestTicksOnlyInSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.live(2, 0, 0)
		speaking := time.Now().UnixNano()
		l.live(20, 0, 0)
		silent := time.Now().UnixNano()
		time.Sleep(20 * time.Second)
		synctest.Wait()
		l.stop()
		ticks := map[bool]int{}
		for _, e := range kept(t, l.path) {
			if e.Kind == fillcalc.KindInput && e.Input.Do == fillcalc.DoTick && e.AtNs > speaking {
				ticks[e.AtNs > silent]++
			}
		}
		if ticks[false] != 0 || ticks[true] < 19 || ticks[true] > 20 {
			t.Errorf("%d ticks in 20 s with readings, %d in 20 s of silence; want 0 and 20", ticks[false], ticks[true])
		}
	})
}

// TestAlertsArePublishedOnce checks that an alert is published when it is raised, when
// its text changes and when it is over, and not again; since is the time at which it
// was raised.
func TestAlertsArePublishedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.live(2, 0, 0)
		before := len(l.all("alerts"))
		raised := time.Now()
		raise := l.reporter(wire.AlertHistory)
		for _, text := range []string{"down", "down", "down", "worse", "worse", "", ""} {
			raise(text)
			time.Sleep(time.Second)
		}
		var got []string
		for _, m := range l.all("alerts")[before:] {
			var a wire.Alerts
			if err := json.Unmarshal(m.payload, &a); err != nil {
				t.Fatal(err)
			}
			got = append(got, bridgetest.AlertTexts(a)["history"])
			for _, alert := range a.Alerts {
				if alert.Kind == "history" && alert.Since != wire.Timestamp(raised.UnixNano()) {
					t.Errorf("%q since %s, raised at %s", alert.Text, alert.Since, wire.Timestamp(raised.UnixNano()))
				}
			}
		}
		// The scale is silent meanwhile, which has its own alert.
		if want := []string{"down", "down", "worse", ""}; !slices.Equal(slices.Compact(got), slices.Compact(slices.Clone(want))) || len(got) > len(want) {
			t.Errorf("published %q, want %q", got, want)
		}
	})
}

// TestSensorAlertsBeginAndEnd checks that a fault of a sensor's port or frames is an
// alert until it is repaired.
func TestSensorAlertsBeginAndEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		now := func() map[string]string { return bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf)) }
		l.live(2, 0, 0)
		if a := now(); len(a) != 0 {
			t.Fatalf("a healthy cart has the alerts %q", a)
		}
		silent := time.Now().UTC()
		time.Sleep(5 * time.Second)
		// With the time at which it began: a number of seconds would become wrong.
		if a := now(); len(a) != 1 || !strings.Contains(a["sensor:caddy"], "nothing arrives since "+silent.Format("15:04:05 UTC")+": is") {
			t.Errorf("silence from %v on: alerts %q", silent, a)
		}
		l.live(1, 0, 0)
		if a := now(); len(a) != 0 {
			t.Errorf("after the silence: alerts %q", a)
		}
		l.say("caddy", "ST,GS,+00#1.250kg\r\n")
		if a := now(); len(a) != 1 || !strings.Contains(a["frames:caddy"], "does not match") {
			t.Errorf("a damaged frame: alerts %q", a)
		}
		l.live(11, 0, 0)
		if a := now(); len(a) != 0 {
			t.Errorf("after the damaged frame: alerts %q", a)
		}
	})
}

// TestSporadicDamageIsOneAlert damages a frame now and then: the alert is published
// once, changes only with the kind of damage, and ends after ten good seconds.
func TestSporadicDamageIsOneAlert(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), strings.Replace(bridgetest.CaddyLines, "port:", "unit: kg, port:", 1)))
		l.live(2, 0, 0)
		before := len(l.all("alerts"))
		for i := range 12 {
			l.say("caddy", fmt.Sprintf("ST,GS,+00#%d.250kg\r\n", i)) // another text each time
			l.live(5, 0, 0)
		}
		l.say("caddy", "ST,GS,+0007.055lb\r\n") // readable, in another unit than configured
		l.live(9, 0, 0)
		var published []string
		for _, m := range l.all("alerts")[before:] {
			published = append(published, string(m.payload))
		}
		if len(published) != 2 || !strings.Contains(published[0], "#0.250") || !strings.Contains(published[1], "another unit") {
			t.Errorf("published %q", published)
		}
		if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) != 1 {
			t.Errorf("nine seconds after the damage: %+v", a)
		}
		l.live(2, 0, 0)
		if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) != 0 {
			t.Errorf("eleven seconds after the damage: %+v", a)
		}
	})
}

// TestCommandDoesNotOvertakeReadings checks that what was measured before a command
// arrived is applied before it, however the scheduler treats the two queues.
func TestCommandDoesNotOvertakeReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.drivers = nil
		const waiting = 200
		for i := range waiting {
			l.inbox <- report{sensor: "caddy", event: &fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "caddy", N: uint64(i + 1), Value: 3}}
		}
		l.commands <- incoming{payload: []byte(`{"id":"c",` + bridgetest.OpenJob + `}`)}
		l.start()
		time.Sleep(time.Second)
		l.stop()
		for i, e := range kept(t, l.path)[1:] { // after the start
			if open := e.Input != nil && e.Input.ID == "c"; open != (i == waiting) {
				t.Fatalf("event %d: %+v, want %d readings and then the command", i, e, waiting)
			}
			if i == waiting {
				break
			}
		}
	})
}

// TestStopOnASlowDisk checks that a stop waits for a slow disk however long it takes:
// everything is saved.
func TestStopOnASlowDisk(t *testing.T) {
	bridgetest.Slow(t)
	l := newLonely(t, journaltest.Config(t, t.TempDir(), bridgetest.CaddyLines))
	l.drivers = nil
	// Another writer holds the journal while the disk is to be slow.
	release := journaltest.Occupy(t, l.path)
	if _, err := l.journal.DB.Exec("PRAGMA busy_timeout = 60000"); err != nil {
		t.Fatal(err)
	}
	l.backlog.beganAt = time.Now() // nothing is written before the stop
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	const readings = 1500
	for i := range readings {
		l.inbox <- report{sensor: "caddy", event: &fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "caddy", N: uint64(i + 1), Value: 3}}
	}
	stop()
	select {
	case err := <-ended:
		t.Fatalf("it did not wait for the disk: %v", err)
	case <-time.After(2500 * time.Millisecond):
	}
	release()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	l.stop()
	n := 0
	for _, e := range kept(t, l.path) {
		if e.Kind == fillcalc.KindWeight {
			n++
		}
	}
	if n != readings {
		t.Errorf("%d of %d readings are kept", n, readings)
	}
}

// TestAlertIsHeardInABurst reports a trouble and its end while the inbox is full: both
// arrive, although each is reported once.
func TestAlertIsHeardInABurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.drivers = nil
		raise := l.reporter(wire.AlertBroker)
		raise("down")
		for len(l.inbox) < cap(l.inbox) {
			l.inbox <- report{event: &fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "caddy", Value: 3}}
		}
		go raise("")
		synctest.Wait()
		l.start()
		time.Sleep(2 * time.Second)
		if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) != 0 {
			t.Errorf("the trouble is over, and the alerts are %v", a.Alerts)
		}
	})
}

// TestClocksThatDiffer checks the alert about a wrong clock, which names the one that
// is ahead; a few seconds raise none. not_after refers to the computer's clock, which
// the sender sees, however far ahead the journal is.
func TestClocksThatDiffer(t *testing.T) {
	for _, c := range []struct {
		name, says string
		ahead      time.Duration // of the cart's time
	}{
		{"nothing", "", 0},
		{"30 s", "", 30 * time.Second},
		{"journal 3 h ahead", "this cart's time is 3h0m0s ahead of the computer's clock", 3 * time.Hour},
		{"journal 20 years ahead", "this cart's time is 7305 days ahead of the computer's clock", 20 * 8766 * time.Hour},
		{"clock set forward", "the computer's clock is 5m0s ahead of this cart's time", -5 * time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines)
				if c.ahead > 0 {
					j := journaltest.Open(t, config.JournalPath("cart"))
					e := bridgetest.Weights(1, 1)
					e[0].AtNs = time.Now().Add(c.ahead).UnixNano()
					journaltest.Append(t, j, journal.Batch{Events: e})
					j.Close()
				}
				l := newLonely(t, config)
				if c.ahead < 0 {
					l.clock.AnchorNs += int64(c.ahead) // as if the clock had been set after the start
				}
				l.start()
				l.live(5, 0, 0)
				if text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["clock"]; !strings.HasPrefix(text, c.says) || (text == "") != (c.says == "") {
					t.Errorf("the alert says %q, want %q", text, c.says)
				}
				before := len(l.all("alerts"))
				l.live(30, 0, 0)
				if n := len(l.all("alerts")) - before; n != 0 {
					t.Errorf("published %d times more", n)
				}
				in, late := time.Now().Add(time.Second).UTC().Format(time.RFC3339), time.Now().Add(-time.Second).UTC().Format(time.RFC3339)
				if r := l.send(`{"id":"late","do":"republish","not_after":"` + late + `"}`); r.OK || !strings.Contains(r.Error, "not_after: it is "+wire.Timestamp(time.Now().UnixNano())) {
					t.Errorf("too late by the computer's clock: %+v", r)
				}
				if r := l.send(`{"id":"in","do":"republish","not_after":"` + in + `"}`); !r.OK {
					t.Errorf("in time by the computer's clock: %+v", r)
				}
			})
		})
	}
}

// TestNaNFromASensor checks that NaN never reaches a message: the leaves are published,
// the figure is null, and quality says why. Sensors send different things for "no
// value".
func TestNaNFromASensor(t *testing.T) {
	const (
		probeSCPI   = `{name: probe, role: transmission-temp, port: c, protocol: scpi, unit: C}`
		probeModbus = `{name: probe, role: transmission-temp, port: c, protocol: modbus, unit: C, unit_id: 1, type: float32, order: ABCD}`
		caddySMA    = `{name: caddy, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}`
		caddyModbus = `{name: caddy, role: caddy, port: a, protocol: modbus, unit: kg, unit_id: 1, type: float32, order: ABCD, capacity_kg: 30, resolution_kg: 0.005}`
	)
	float32Reply := func(f float32) string {
		reply := binary.BigEndian.AppendUint32([]byte{1, 3, 4}, math.Float32bits(f))
		return string(binary.LittleEndian.AppendUint16(reply, crc16(reply)))
	}
	good := map[string]string{
		bridgetest.CaddyLines: "ST,GS,+0003.200kg\r\n", caddySMA: "\n 1G       3.200kg \r", caddyModbus: float32Reply(3.2),
		bridgetest.ProbeLines: "+030.00 C\r\n", probeSCPI: "+3.000000E+01\n", probeModbus: float32Reply(30),
	}
	nan := float32(math.NaN())
	for _, c := range []struct{ name, scale, probe, bad, quality string }{
		{"SCPI not a number", bridgetest.CaddyLines, probeSCPI, "+9.910000E+37\n", "probe probe reports a fault"},
		{"SCPI infinity", bridgetest.CaddyLines, probeSCPI, "-9.900000E+37\n", "probe probe reports a fault"},
		{"SCPI NaN", bridgetest.CaddyLines, probeSCPI, "NaN\n", "probe probe sends damaged frames"},
		{"SCPI nothing", bridgetest.CaddyLines, probeSCPI, "", "probe probe is silent"},
		{"line NaN", bridgetest.CaddyLines, bridgetest.ProbeLines, "NaN\r\n", "probe probe sends damaged frames"},
		{"line dashes", bridgetest.CaddyLines, bridgetest.ProbeLines, "------- C\r\n", "probe probe sends damaged frames"},
		{"line nothing", bridgetest.CaddyLines, bridgetest.ProbeLines, "", "probe probe is silent"},
		{"registers NaN", bridgetest.CaddyLines, probeModbus, float32Reply(nan), "probe probe reports a fault"},
		{"registers infinity", bridgetest.CaddyLines, probeModbus, float32Reply(float32(math.Inf(1))), "probe probe reports a fault"},
		{"scale dashes", bridgetest.CaddyLines, bridgetest.ProbeLines, "ST,GS,--------kg\r\n", "scale caddy sends damaged frames"},
		{"scale NaN", bridgetest.CaddyLines, bridgetest.ProbeLines, "ST,GS,     NaNkg\r\n", "scale caddy sends damaged frames"},
		{"scale overloaded", bridgetest.CaddyLines, bridgetest.ProbeLines, "OL,GS,+0031.000kg\r\n", "scale caddy is overloaded"},
		{"SMA dashes", caddySMA, bridgetest.ProbeLines, "\nE1G  ----------kg \r", "scale caddy sends damaged frames"},
		{"scale nothing", bridgetest.CaddyLines, bridgetest.ProbeLines, "", "scale caddy is silent"},
		{"scale registers NaN", caddyModbus, bridgetest.ProbeLines, float32Reply(nan), "scale caddy sends damaged frames"},
		{"scale registers infinity", caddyModbus, bridgetest.ProbeLines, float32Reply(float32(math.Inf(-1))), "scale caddy sends damaged frames"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), c.scale, c.probe))
				says := map[string]string{"caddy": good[c.scale], "probe": good[c.probe]}
				instruments := func(seconds int) {
					for name, text := range says {
						l.ports[name].answer.Store(&text)
					}
					for range seconds * 4 {
						for _, d := range l.drivers {
							if d.Protocol.Poll == nil {
								l.say(d.Name, says[d.Name])
							}
						}
						time.Sleep(250 * time.Millisecond)
					}
					synctest.Wait()
				}
				l.start()
				instruments(3)
				l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
				instruments(6)
				v, w := newest[wire.Volumes](l, wire.VolumesLeaf), newest[wire.Window](l, wire.WindowLeaf)
				if v.Quality != "good" || !bridgetest.Known(v.DrainedL) || w.Quality != "good" || !bridgetest.Known(w.TempC) {
					t.Fatalf("before the fault: volumes %+v, window %+v", v, w)
				}
				which := "caddy"
				if strings.HasPrefix(c.quality, "probe") {
					which = "probe"
				}
				says[which] = c.bad
				before := map[string]int{"volumes": len(l.all("volumes")), "window": len(l.all("window"))}
				instruments(14)
				qualities := map[string]bool{}
				for leaf, n := range before {
					messages := l.all(leaf)[n:]
					if len(messages) == 0 {
						t.Errorf("%s was not published in 14 s", leaf)
					}
					for _, m := range messages {
						var head struct{ Quality string }
						if err := json.Unmarshal(m.payload, &head); err != nil {
							t.Errorf("%s: %v in %s", leaf, err, m.payload)
						}
						qualities[head.Quality] = true
					}
				}
				if !qualities[c.quality] {
					t.Errorf("qualities %v, want %q among them", slices.Collect(maps.Keys(qualities)), c.quality)
				}
				v, w = newest[wire.Volumes](l, wire.VolumesLeaf), newest[wire.Window](l, wire.WindowLeaf)
				if which == "probe" {
					if bridgetest.Known(w.TempC) || bridgetest.Known(w.RateCMin) || w.State != string(fillcalc.Blind) || w.Quality == "good" {
						t.Errorf("window %+v, want it blind", w)
					}
					if v.Quality != "good" || !bridgetest.Known(v.DrainedL) {
						t.Errorf("the probe affects the volumes: %+v", v)
					}
				} else {
					if bridgetest.Known(v.DrainedL) || bridgetest.Known(v.DrainedUL) || bridgetest.Known(v.DrainedLMin) || bridgetest.Known(v.CaddyFreeL) || v.Quality == "good" {
						t.Errorf("volumes %+v, want them null", v)
					}
					if w.Quality != "good" || !bridgetest.Known(w.TempC) {
						t.Errorf("the scale affects the window: %+v", w)
					}
				}
				if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) == 0 {
					t.Error("no alert")
				}
				for _, m := range l.all("readings") {
					if !json.Valid(m.payload) {
						t.Fatalf("reading %s is not JSON", m.payload)
					}
				}
				// The sensor recovers.
				says[which] = good[map[string]string{"caddy": c.scale, "probe": c.probe}[which]]
				instruments(13)
				v, w = newest[wire.Volumes](l, wire.VolumesLeaf), newest[wire.Window](l, wire.WindowLeaf)
				if v.Quality != "good" || !bridgetest.Known(v.DrainedL) || w.Quality != "good" || !bridgetest.Known(w.TempC) {
					t.Errorf("after the fault: volumes %+v, window %+v", v, w)
				}
				state := bridgetest.Bits(l.state)
				l.stop()
				if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
					t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
				}
			})
		})
	}
}

// crc16 is Modbus's checksum.
func crc16(data []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range data {
		crc ^= uint16(b)
		for range 8 {
			odd := crc&1 == 1
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// TestMinusZeroFromASensor checks that a zero has no sign in the live state, since it
// has none in the journal: otherwise the two would differ in a bit.
func TestMinusZeroFromASensor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t),
			`{name: caddy, role: caddy, port: a, protocol: line, pattern: counts, kg_per_count: -0.001, counts_at_zero: 500, capacity_kg: 30, resolution_kg: 0.005}`))
		for range 5 {
			l.say("caddy", "500\r\n")
			time.Sleep(100 * time.Millisecond)
		}
		synctest.Wait()
		state := bridgetest.Bits(l.state)
		l.stop()
		if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}

// figures returns all figures of a tally and a window, to the last bit.
type figures struct {
	bits           [15]uint64
	steps          int
	quality, state string
}

func figuresOf(s *fillcalc.State) figures {
	v, w := s.Volumes(), s.CheckWindow()
	plan, _ := s.Plan()
	f := figures{steps: len(s.Job.Steps), quality: v.Quality.String(), state: string(w.State) + w.Quality.String()}
	for i, number := range [...]float64{
		v.DrainedKg, v.AddedKg, v.DrainedL, v.DrainedUL, v.AddedL, v.AddedUL, v.BalanceL, v.BalanceUL, v.UndecidedL,
		v.DrainedLMin, v.AddedLMin, plan.RemainingL, v.CaddyFreeL, w.TempC, w.RateCMin,
	} {
		f.bits[i] = math.Float64bits(number)
	}
	return f
}

// aJob returns the events of a cart's journal after a job in which fluid drained, a
// tool was laid down, a scale fell silent and fluid was poured. It needs no journal and
// no clock of this machine.
func aJob(t *testing.T) []fillcalc.Event {
	t.Helper()
	var events []fillcalc.Event
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.caddyKg += 0.8
		l.live(5, 0.01, 0)
		time.Sleep(12 * time.Second)
		l.live(5, 0, 0)
		l.must(`"do":"decide","step":1,"as":"object"`, `"do":"phase","phase":"filling"`)
		for range 20 {
			l.celsius += 0.4
			l.live(1, 0, 0.043)
		}
		l.must(`"do":"phase","phase":"checking"`)
		l.live(5, 0, 0)
		l.must(`"do":"close"`)
		l.stop()
		events = kept(t, l.path)
	})
	if len(events) < 1000 {
		t.Fatalf("the job has %d events", len(events))
	}
	return events
}

// shifts are what a wall clock may be wrong by.
var shifts = map[string]time.Duration{
	"30 s ahead": 30 * time.Second, "30 s behind": -30 * time.Second,
	"20 years ahead": 20 * 8766 * time.Hour, "20 years behind": -20 * 8766 * time.Hour,
}

// TestClockStepsChangeNothing checks that a wall clock that is wrong, or that is set
// between two runs, changes no figure in its last bit. A clock that is set during a run
// is not read.
func TestClockStepsChangeNothing(t *testing.T) {
	if start := clock.New(0, 1).Start.String(); !strings.Contains(start, " m=") {
		t.Errorf("the clock starts from %s: without the monotonic part it follows the wall clock's steps", start)
	}
	events := aJob(t)
	t.Run("wrong all along", func(t *testing.T) {
		var right []figures
		var s fillcalc.State
		for _, e := range events {
			s = fillcalc.Apply(s, e)
			right = append(right, figuresOf(&s))
		}
		for name, shift := range shifts {
			var s fillcalc.State
			for i, e := range events {
				e.AtNs += int64(shift)
				s = fillcalc.Apply(s, e)
				if figuresOf(&s) != right[i] {
					t.Errorf("%s: event %d gives %+v", name, e.Seq, s.Volumes())
					break
				}
			}
		}
	})
	// Fluid drains while the program restarts with another clock: the journal's last
	// event is ahead of it, or far behind.
	drains := slices.IndexFunc(events, func(e fillcalc.Event) bool { return e.Input != nil && e.Input.Phase == fillcalc.Draining })
	pouring := slices.IndexFunc(events, func(e fillcalc.Event) bool { return e.AtNs > events[drains].AtNs+10e9 })
	half := events[:pouring]
	results := map[string]figures{}
	for name, shift := range shifts {
		t.Run("set between two runs, "+name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
				j, err := journal.Open(config.JournalPath("cart"))
				if err != nil {
					t.Fatal(err)
				}
				batch := journal.Batch{Events: slices.Clone(half)}
				// The difference between the journal's last time and the new run's clock.
				move := time.Now().Add(shift).UnixNano() - half[len(half)-1].AtNs
				for i := range batch.Events {
					batch.Events[i].AtNs += move
				}
				if err := j.Append(t.Context(), batch); err != nil {
					t.Fatal(err)
				}
				j.Close()
				l := startLonely(t, config)
				began := time.Now()
				l.live(20, 0.05, 0)
				// 0.05 kg/s of 854.5 kg/m³, with buoyancy: a wrong duration would show here.
				if rate := newest[wire.Volumes](l, wire.VolumesLeaf).DrainedLMin; math.Abs(float64(rate)-3.515) > 0.05 {
					t.Errorf("%v L/min, want 3.515", rate)
				}
				l.live(5, 0, 0)
				if w := newest[wire.Window](l, wire.WindowLeaf); w.Quality != "good" {
					t.Errorf("window %+v", w)
				}
				results[name] = figuresOf(&l.state)
				last, life := l.state.NowNs, time.Since(began)-30*time.Millisecond // of the last reading
				l.stop()
				all := kept(t, l.path) // times rise strictly
				start := all[len(half)]
				if start.Input == nil || start.Input.Do != fillcalc.DoStart {
					t.Fatalf("after the old events comes %+v", start)
				}
				// Two events at one moment are placed a nanosecond apart.
				if d := time.Duration(last - start.AtNs); (d - life).Abs() > time.Microsecond {
					t.Errorf("the run lasted %v, by its events %v", life, d)
				}
			})
		})
	}
	for name, r := range results {
		if r != results["30 s ahead"] {
			t.Errorf("%s: another tally than with the clock 30 s ahead", name)
		}
	}
}
