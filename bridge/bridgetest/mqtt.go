package bridgetest

import (
	"encoding/json"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/wire"
	"bayfill/sim"
)

// Topics begins every topic of the test cart.
const Topics = "bayfill/test/cart/"

// Mute opens a port whose sensor never sends anything.
func Mute(_, _ string) (io.ReadWriteCloser, error) {
	_, host := sim.NewPipe()
	return host, nil
}

// Online waits until presence is online in a session other than notSession.
func Online(t testing.TB, s *Subscriber, notSession string) wire.Presence {
	t.Helper()
	var p wire.Presence
	Eventually(t, 20*time.Second, "presence online", func() bool {
		p = Read[wire.Presence](s, wire.PresenceLeaf)
		return p.Online && p.Session != notSession
	})
	return p
}

// NeverBack fails the test when a subscriber has received an older state after a newer
// one.
func NeverBack(t testing.TB, all []Message) {
	t.Helper()
	type stamp struct {
		TS  string `json:"ts"`
		Seq uint64 `json:"seq"`
	}
	newest := map[string]stamp{}
	for _, m := range all {
		if strings.HasSuffix(m.Topic, "/"+string(wire.PresenceLeaf)) {
			continue // a will has no time, and the bridge corrects one that comes late
		}
		var now stamp
		if err := json.Unmarshal(m.Payload, &now); err != nil {
			t.Fatalf("%s: %v", m.Topic, err)
		}
		before := newest[m.Topic]
		if now.TS < before.TS || now.Seq < before.Seq {
			t.Errorf("%s went back from %+v to %+v", m.Topic, before, now)
		}
		newest[m.Topic] = now
	}
}

// proxy forwards connections to a broker. It can stop forwarding without closing the
// connections, as a router does that has lost its table, and can deliver late what it
// holds back.
type proxy struct {
	URL string

	mu     sync.Mutex
	passes *sync.Cond
	count  int // connections so far
	live   int // their directions that have not ended, two for each connection
	dark   int // connections up to this one are blocked
}

// StartProxy starts a proxy to an address, which ends with the test.
func StartProxy(t testing.TB, to string) *proxy {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{URL: "tcp://" + listener.Addr().String()}
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
		p.Pass(0)
		p.mu.Lock()
		for _, c := range conns {
			c.Close()
		}
		p.mu.Unlock()
		pumps.Wait()
	})
	return p
}

// Pass forwards connections after the nth and blocks all others.
func (p *proxy) Pass(n int) {
	p.mu.Lock()
	p.dark = n
	p.mu.Unlock()
	p.passes.Broadcast()
}

// Connections returns how many connections there were and how many are open.
func (p *proxy) Connections() (all, live int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.count, (p.live + 1) / 2
}

// EveryLeaf lists the topics that a cart publishes. It avoids a wildcard for the leaves,
// because the embedded broker's library then reads the topics of retained messages
// without a lock, which the race detector reports.
func EveryLeaf() []string {
	topics := []string{Topics + "readings", Topics + "replies/+"}
	for _, leaf := range wire.StateLeaves {
		topics = append(topics, Topics+string(leaf))
	}
	return topics
}

// NeverOffline fails the test when a presence message was offline or of another session.
func NeverOffline(t testing.TB, s *Subscriber, birth wire.Presence) {
	t.Helper()
	for _, m := range s.All() {
		var p wire.Presence
		if strings.HasSuffix(m.Topic, "/presence") && (json.Unmarshal(m.Payload, &p) != nil || !p.Online || p.Session != birth.Session) {
			t.Errorf("presence in between was %s", m.Payload)
		}
	}
}
