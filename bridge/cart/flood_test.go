package cart

import (
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// floods are what somebody may send without end; each is refused.
func floods(topic string) map[string][]byte {
	right := signed(bridgetest.CommandKey, topic, 5, `{"id":"x","do":"close"}`)
	return map[string][]byte{
		"unsigned":                []byte(`{"id":"x","do":"close"}`),
		"wrong mac":               []byte(signed("another key of some length", topic, 5, `{"id":"x","do":"close"}`)),
		"wrong mac, 16 kB":        []byte(signed("another key of some length", topic, 5, `{"id":"x","do":"close","why":"`+strings.Repeat("x", maxPayload-200)+`"}`)),
		"replayed":                []byte(right),
		"no JSON, 16 kB":          []byte(strings.Repeat("x", maxPayload)),
		"a number of 16 kB":       []byte(`{"signed":"","mac":"","counter":1` + strings.Repeat("0", maxPayload-100) + `}`),
		"8,000 brackets":          []byte(`{"id":"x","by":` + strings.Repeat("[", 8000) + strings.Repeat("]", 8000) + `}`),
		"8,000 brackets, signed":  []byte(`{"signed":"` + strings.Repeat("[", 8000) + strings.Repeat("]", 8000) + `","counter":1,"mac":"00"}`),
		"100,000 brackets":        []byte(strings.Repeat("[", 100_000) + strings.Repeat("]", 100_000)),
		"1 MB of 100,000 objects": []byte(`{"id":"x","by":` + strings.Repeat(`{"a":`, 100_000) + "1" + strings.Repeat("}", 100_000) + `}`),
		"1 MB in a field":         []byte(`{"id":"x","why":"` + strings.Repeat("x", 1<<20-100) + `"}`),
		"2 MB":                    []byte(`{"id":"x","why":"` + strings.Repeat("x", 2<<20) + `"}`),
	}
}

// floodedCart is a cart with a key that does not run: the test is its loop.
func floodedCart(t testing.TB) *Cart {
	t.Helper()
	config := journaltest.BareConfig(t, t.TempDir(), `{url: "tcp://127.0.0.1:1"}`)
	config.Commands.Key = journaltest.KeyOf(t, bridgetest.CommandKey)
	c, err := New(t.Context(), config, &config.Carts[0], Options{Log: bridgetest.Log(), Speed: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	if _, _, err := c.verifier.verify(t.Context(), []byte(signed(bridgetest.CommandKey, c.verifier.topic, 5, `{}`))); err != nil {
		t.Fatal(err)
	}
	return c
}

// receive lets a command arrive, and answers it.
func (c *Cart) receive(t testing.TB, payload []byte) {
	c.link.receive(mqtt.Message{Topic: c.link.topic(wire.CommandsLeaf), Payload: payload}, "")
	for len(c.commands) > 0 {
		c.handleCommand(t.Context(), <-c.commands)
	}
}

// TestFloodIsBounded sends thousands of commands of a kind: all are refused with a
// short reply, nothing of them stays in memory or on disk, and the cart is as before.
func TestFloodIsBounded(t *testing.T) {
	bridgetest.Slow(t)
	c := floodedCart(t)
	before := bridgetest.Bits(c.state)
	size := func() (bytes int64) {
		for _, name := range []string{"", "-wal"} {
			if info, err := os.Stat(c.verifier.journalFile(t) + name); err == nil {
				bytes += info.Size()
			}
		}
		return bytes
	}
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	kinds := floods(c.verifier.topic)
	for _, payload := range kinds { // allocates what is allocated once
		c.receive(t, payload)
	}
	onDisk := size()
	for name, payload := range kinds {
		n := max(1, min(2000, 2<<20/len(payload))) // more than may stay in memory
		inMemory, began := heap(), time.Now()
		for range n {
			c.receive(t, payload)
		}
		took := time.Since(began)
		grown := int64(heap()) - int64(inMemory)
		if grown > 1<<20 {
			t.Errorf("%s: %d commands leave %d bytes in memory", name, n, grown)
		}
		replies := c.link.replies
		if len(replies) > maxReplies {
			t.Errorf("%s: %d replies wait", name, len(replies))
		}
		for _, r := range replies {
			if strings.Contains(string(r.payload), `"ok":true`) || len(r.payload) > 1000 {
				t.Fatalf("%s: a reply of %d bytes: %.300s", name, len(r.payload), r.payload)
			}
		}
		t.Logf("%d of %s, %d bytes: %v each, %d kB stay", n, name, len(payload), (took / time.Duration(n)).Round(100*time.Nanosecond), grown>>10)
	}
	c.link.replies = nil
	for range 100 { // while the cart has no time for them
		c.link.receive(mqtt.Message{Topic: c.link.topic(wire.CommandsLeaf), Payload: kinds["replayed"]}, "")
	}
	if n := len(c.commands); n > 16 || len(c.link.replies) != 100-n || !strings.Contains(string(c.link.replies[0].payload), "busy: ") {
		t.Errorf("%d commands wait, and %d were answered", n, len(c.link.replies))
	}
	if grown := size() - onDisk; grown != 0 {
		t.Errorf("the journal has grown by %d bytes", grown)
	}
	if bridgetest.Bits(c.state) != before || c.verifier.counter != 5 {
		t.Error("the cart has changed")
	}
}

func (s *verifier) journalFile(t testing.TB) (file string) {
	t.Helper()
	if err := s.journal.DB.QueryRow("SELECT file FROM pragma_database_list").Scan(&file); err != nil {
		t.Fatal(err)
	}
	return file
}

// BenchmarkRefusedCommand measures a command that is refused, from the MQTT client to
// the reply.
func BenchmarkRefusedCommand(b *testing.B) {
	c := floodedCart(b)
	for name, payload := range floods(c.verifier.topic) {
		b.Run(strings.ReplaceAll(name, " ", "_"), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				c.receive(b, payload)
			}
		})
	}
	b.Run("busy", func(b *testing.B) {
		for len(c.commands) < cap(c.commands) {
			c.commands <- incoming{}
		}
		message := mqtt.Message{Topic: c.link.topic(wire.CommandsLeaf), Payload: []byte(`{"id":"x","do":"close"}`)}
		b.ReportAllocs()
		for b.Loop() {
			c.link.receive(message, "")
		}
	})
}
