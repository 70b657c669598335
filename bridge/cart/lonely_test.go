package cart

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
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
	ends bool // Run ends with an error: what is in memory cannot be saved
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
	l.link.birth("lonely")
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() {
		if err := l.Run(ctx); (err != nil) != l.ends {
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

// must sends commands that have to succeed, each given as the JSON after the id. After
// open the scales stand still for a while, so that they are weighed.
func (l *lonely) must(commands ...string) {
	l.t.Helper()
	for _, c := range commands {
		if r := l.send(fmt.Sprintf(`{"id":"m%d",%s}`, l.state.Seq, c)); !r.OK {
			l.t.Fatalf("%s: %s", c, r.Error)
		}
		if strings.Contains(c, `"do":"open"`) {
			l.live(5, 0, 0)
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
