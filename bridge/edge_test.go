package bridge

import (
	"encoding/json"
	"flag"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
)

var edgeCut = flag.Duration("edge-cut", time.Second, "for how long TestEdgeBroker cuts the line between shop and centre")

// rightWithin is how soon the centre shows what is: a cart in a job is silent after three
// seconds, a line that swallows everything is given up after one and a half keep-alives.
const rightWithin = 15 * time.Second

// The broker of a shop passes the carts on to a centre, by the example configurations. When
// the line is cut, and when the shop's broker is killed, the centre soon shows that the
// cart is silent, and what comes late is never shown as live. Afterwards it has every leaf
// as it is.
func TestEdgeBroker(t *testing.T) {
	t.Parallel() // it mostly waits
	centre := bridgetest.StartCentre(t)
	line := bridgetest.StartProxy(t, centre.Address)
	edge := bridgetest.StartEdge(t, strings.TrimPrefix(line.URL, "tcp://"))
	c := journaltest.BareConfig(t, t.TempDir(), `{url: "`+edge.URL+`", username: bridge, password: {file: "`+secretFile(t)+`"}}`)
	c.Shop = "hilltop"
	const topics = "bayfill/hilltop/cart/"
	var b *Bridge
	office := bridgetest.Subscribe(t, centre.URL, "office", "secret", "bayfill/+/+/+", "bayfill/+/+/replies/+")
	hotline := bridgetest.Subscribe(t, centre.URL, "hotline", "secret", topics+"commands")
	b, _ = runBridgeWith(t, c, Options{Open: bridgetest.Mute}, nil)
	soon := func(what string, live bool) {
		t.Helper()
		began := time.Now()
		bridgetest.Eventually(t, 2*rightWithin, what, func() bool { return liveAt(t, office, time.Now()) == live })
		t.Logf("%s: after %.1f s", what, time.Since(began).Seconds())
		if took := time.Since(began); took > rightWithin {
			t.Errorf("%s: only after %v", what, took)
		}
	}
	same := func() {
		t.Helper()
		for _, leaf := range wire.StateLeaves[1:] {
			bridgetest.Eventually(t, 10*time.Second, "the leaf "+string(leaf), func() bool {
				m, _ := office.Last("/" + string(leaf))
				return string(m.Payload) == b.carts[0].Leaves()[leaf]
			})
		}
	}
	soon("live in the centre", true)
	hotline.Publish(topics+"commands", false, `{"id":"from-afar",`+bridgetest.OpenJob+`}`)
	bridgetest.Eventually(t, 10*time.Second, "the job", func() bool { return bridgetest.Read[wire.Job](office, wire.JobLeaf).Job == "job-1" })
	same()
	bridgetest.Eventually(t, 10*time.Second, "the beat of a job", func() bool {
		return bridgetest.Read[wire.Presence](office, wire.PresenceLeaf).EveryS == wire.JobBeat.Seconds()
	})

	line.Pass(math.MaxInt)
	soon("silent after the cut", false)
	time.Sleep(*edgeCut)
	dark, _ := line.Connections()
	line.Pass(dark) // new connections pass
	soon("live after the cut", true)
	same()
	line.Pass(0) // now also what was held back

	edge.Stop(syscall.SIGKILL)
	soon("silent after the kill", false)
	if m, _ := office.Last("/presence"); !strings.Contains(string(m.Payload), `"online":true`) {
		t.Error("the centre was told that the cart is offline, so this test shows nothing")
	}
	edge.Start()
	soon("live after the kill", true)
	same()
	for _, m := range office.All() {
		var p wire.Presence
		if strings.HasSuffix(m.Topic, "/presence") && json.Unmarshal(m.Payload, &p) == nil && p.TS != "" {
			if ts, err := time.Parse(wire.TimeLayout, p.TS); err != nil || m.At.Sub(ts) > wire.Late && liveAt(t, office, m.At) {
				t.Errorf("live by what was said at %s and came at %v", p.TS, m.At.UTC())
			}
		}
	}
	if n := len(hotline.All()); n > 0 {
		t.Errorf("the hotline heard %d messages that it may not", n)
	}
}

// liveAt judges a cart by the presences that a reader had received at some time.
func liveAt(t *testing.T, s *bridgetest.Subscriber, at time.Time) bool {
	t.Helper()
	var beats wire.Beats
	for _, m := range s.All() {
		var p wire.Presence
		if strings.HasSuffix(m.Topic, "/presence") && !m.At.After(at) && json.Unmarshal(m.Payload, &p) == nil {
			beats.Take(&p, m.Retained, m.At)
		}
	}
	return beats.Live(at)
}
