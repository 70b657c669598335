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

const Topics = "bayfill/test/cart/"

// mute opens a port at which nobody speaks.
func Mute(_, _ string) (io.ReadWriteCloser, error) {
	_, host := sim.NewPipe()
	return host, nil
}

// online waits until presence says so, in another session than the one given.
func Online(t testing.TB, s *Subscriber, notSession string) wire.Presence {
	t.Helper()
	var p wire.Presence
	Eventually(t, 20*time.Second, "presence online", func() bool {
		p = Read[wire.Presence](s, wire.PresenceLeaf)
		return p.Online && p.Session != notSession
	})
	return p
}

// neverBack holds everything that one subscriber received against the promise
// that no older state follows a newer one.
func NeverBack(t testing.TB, all []Message) {
	t.Helper()
	type stamp struct {
		TS  string `json:"ts"`
		Seq uint64 `json:"seq"`
	}
	newest := map[string]stamp{}
	for _, m := range all {
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

// proxy stands between the bridge and a broker. It can stop passing bytes on
// without closing anything, as a router does that has lost its table; what it
// holds back may come through late.
type proxy struct {
	URL string

	mu     sync.Mutex
	passes *sync.Cond
	count  int // connections so far
	live   int // their two directions that have not ended
	dark   int // those up to this one pass nothing on
}

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

// pass lets connections after the nth through, and only those.
func (p *proxy) Pass(n int) {
	p.mu.Lock()
	p.dark = n
	p.mu.Unlock()
	p.passes.Broadcast()
}

func (p *proxy) Connections() (all, live int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.count, (p.live + 1) / 2
}

// everyLeaf names all that a cart sends, one by one: the embedded broker's
// library reads the topics of retained messages without a lock when it looks for
// a wildcard, and the race detector sees it.
func EveryLeaf() []string {
	topics := []string{Topics + "readings", Topics + "replies/+"}
	for _, leaf := range wire.StateLeaves {
		topics = append(topics, Topics+string(leaf))
	}
	return topics
}

// neverOffline fails when presence said anything but online in this session.
func NeverOffline(t testing.TB, s *Subscriber, birth wire.Presence) {
	t.Helper()
	for _, m := range s.All() {
		var p wire.Presence
		if strings.HasSuffix(m.Topic, "/presence") && (json.Unmarshal(m.Payload, &p) != nil || !p.Online || p.Session != birth.Session) {
			t.Errorf("presence in between was %s", m.Payload)
		}
	}
}
