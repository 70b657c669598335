package cart

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestHalfOpenQuietLink checks that pings detect a lost connection while the cart has
// nothing to publish.
func TestHalfOpenQuietLink(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	p := bridgetest.StartProxy(t, broker.Address)
	reports := make(chan string, 100)
	l := newLink(mqtt.Endpoint{URLs: []string{p.URL}}, "test", "cart", make(chan incoming, 1), func(trouble fillcalc.Text) { reports <- trouble.Key })
	l.endpoint.KeepAlive, l.endpoint.Timeout = time.Second, time.Second
	runLink(t, l)
	hear := func(what string, ok func(string) bool) {
		t.Helper()
		bridgetest.Eventually(t, 20*time.Second, what, func() bool {
			select {
			case text := <-reports:
				return ok(text)
			default:
				return false
			}
		})
	}
	hear("the connection", func(text string) bool { return text == "" })
	p.Pass(math.MaxInt)
	frozen := time.Now()
	hear("the loss", func(text string) bool { return text != "" })
	t.Logf("noticed after %.1f s", time.Since(frozen).Seconds())
	dark, _ := p.Connections()
	p.Pass(dark)
	hear("the connection", func(text string) bool { return text == "" })
}

// TestPresenceAfterACleanStop stops a link in the middle of its work: presence says
// why, and the last message of every leaf was sent before.
func TestPresenceAfterACleanStop(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	for round := range 20 {
		l := newLink(mqtt.Endpoint{URLs: []string{broker.URL}}, "test", "cart", make(chan incoming, 1), func(fillcalc.Text) {})
		stop := runLink(t, l)
		bridgetest.Online(t, s, "")
		var busy sync.WaitGroup
		ended := make(chan struct{})
		busy.Go(func() {
			for n := 1; ; n++ {
				l.set(wire.VolumesLeaf, wire.Encode(wire.Volumes{TS: wire.Timestamp(time.Now().UnixNano()), Seq: uint64(n), Quality: "good", QualityCode: "good"}))
				l.sendReading(wire.Encode(wire.Reading{TS: wire.Timestamp(time.Now().UnixNano()), Sensor: "caddy", N: uint64(n), Faults: []string{}}))
				select {
				case <-ended:
					return
				case <-time.After(time.Duration(round%4) * 100 * time.Microsecond):
				}
			}
		})
		bridgetest.Eventually(t, 10*time.Second, "traffic", func() bool { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Seq > 20 })
		// The cart stops before its link.
		close(ended)
		busy.Wait()
		job := fmt.Sprint("job-", round)
		l.reply("last", wire.Reply{OK: true, Job: job})
		stop()
		var p wire.Presence
		bridgetest.Eventually(t, 10*time.Second, "the goodbye", func() bool { p = bridgetest.Read[wire.Presence](s, wire.PresenceLeaf); return !p.Online })
		if p.Why != "stopped" || p.Since != nil {
			t.Fatalf("round %d: presence is %+v after a clean stop", round, p)
		}
		if m, _ := s.Last("/volumes"); string(m.Payload) != l.newest()[wire.VolumesLeaf] {
			t.Fatalf("round %d: the last volumes sent are %s, the newest were %s", round, m.Payload, l.newest()[wire.VolumesLeaf])
		}
		if bridgetest.Read[wire.Reply](s, "replies/last").Job != job {
			t.Fatalf("round %d: the last reply was not sent", round)
		}
	}
}

// TestRenewal lets a broker lose a leaf that it has acknowledged: it is sent again.
func TestRenewal(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	s.Invented = true
	l := newLink(mqtt.Endpoint{URLs: []string{broker.URL}}, "test", "cart", make(chan incoming, 1), func(fillcalc.Text) {})
	l.renewEvery = 200 * time.Millisecond
	l.set(wire.AlertsLeaf, []byte("{}"))
	runLink(t, l)
	alerts := func() string { m, _ := s.Last("/alerts"); return string(m.Payload) }
	bridgetest.Eventually(t, 10*time.Second, "the leaf", func() bool { return alerts() == "{}" })
	s.Publish(bridgetest.Topics+"alerts", true, "")
	bridgetest.Eventually(t, 10*time.Second, "its loss", func() bool { return alerts() == "" })
	bridgetest.Eventually(t, 10*time.Second, "its renewal", func() bool { return alerts() == "{}" })
}

// TestTwoBridgesWithOneName gives two bridges the same name, so that each one ends the
// other's connection. They do so at a bearable pace and guess the reason, also while
// connected, since only then does anybody receive it; when one stops, the other's
// presence is true.
func TestTwoBridgesWithOneName(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"presence")
	var mu sync.Mutex
	lost, connected := 0, 0 // how often each guess was reported
	var links []*link
	var stops []func()
	began := time.Now()
	for range 2 {
		var l *link
		l = newLink(mqtt.Endpoint{URLs: []string{broker.URL}}, "test", "cart", make(chan incoming, 1), func(trouble fillcalc.Text) {
			mu.Lock()
			defer mu.Unlock()
			if trouble.Key == "alert.broker_taken_over" && trouble.Names["client"] == "bayfill-test-cart" {
				if l.connected.Load() {
					connected++
				} else {
					lost++
				}
			}
		})
		links = append(links, l)
		stops = append(stops, runLink(t, l))
	}
	sessions := func() int {
		seen := map[string]bool{}
		for _, m := range s.All() {
			var p wire.Presence
			if json.Unmarshal(m.Payload, &p) == nil && p.Online {
				seen[p.Session] = true
			}
		}
		return len(seen)
	}
	// One of the two connects for the third time, after pauses of one and two seconds.
	bridgetest.Eventually(t, 30*time.Second, "five connections", func() bool { return sessions() >= 5 })
	took := time.Since(began)
	if took < 2900*time.Millisecond {
		t.Errorf("five connections in %v: they spin", took)
	}
	bridgetest.Eventually(t, 30*time.Second, "the guess", func() bool { mu.Lock(); defer mu.Unlock(); return lost > 0 && connected > 0 })
	t.Logf("five connections in %.1f s", took.Seconds())
	stops[1]()
	bridgetest.Eventually(t, 30*time.Second, "the one that stays", func() bool {
		p := bridgetest.Read[wire.Presence](s, wire.PresenceLeaf)
		return p.Online && strings.Contains(links[0].newest()[wire.PresenceLeaf], p.Session)
	})
}

// TestSilentlyRefusedSubscriptionIsReported uses Mosquitto, which accepts subscriptions
// and then sends nothing when its access list does not let the user read: the bridge
// misses its own presence.
func TestSilentlyRefusedSubscriptionIsReported(t *testing.T) {
	acl := filepath.Join(t.TempDir(), "acl")
	if err := os.WriteFile(acl, []byte("topic write bayfill/#\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	broker := bridgetest.StartMosquitto(t, "acl_file "+acl)
	reports := make(chan string, 100)
	l := newLink(mqtt.Endpoint{URLs: []string{broker.URL}}, "test", "cart", make(chan incoming, 1), func(trouble fillcalc.Text) { reports <- trouble.Key })
	l.echoWithin = time.Second
	runLink(t, l)
	bridgetest.Eventually(t, 20*time.Second, "what is wrong", func() bool {
		l.set(wire.VolumesLeaf, []byte("{}")) // as a live cart does all the time
		for len(reports) > 0 {
			if <-reports == "alert.broker_no_echo" {
				return true
			}
		}
		return false
	})
}

// TestBrokerAlertEndsThoughTheInboxWasFull checks that the alert about the broker ends
// when the broker is back, even if the inbox was full at that moment.
func TestBrokerAlertEndsThoughTheInboxWasFull(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	broker.Stop(syscall.SIGKILL)
	c := &Cart{inbox: make(chan report, 1)}
	l := newLink(mqtt.Endpoint{URLs: []string{broker.URL}}, "test", "cart", make(chan incoming, 1), c.reporter(wire.AlertBroker))
	runLink(t, l)
	bridgetest.Eventually(t, 10*time.Second, "the trouble", func() bool { return len(c.inbox) == 1 })
	broker.Start()
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"presence")
	bridgetest.Online(t, s, "")
	if h := <-c.inbox; h.alert.Code != wire.AlertBroker || h.alert.Text == "" {
		t.Fatalf("the cart received %+v", h)
	}
	bridgetest.Eventually(t, 10*time.Second, "the end of the trouble", func() bool {
		l.set(wire.VolumesLeaf, []byte("{}"))
		select {
		case h := <-c.inbox:
			return h.alert.Code == wire.AlertBroker && h.alert.Text == ""
		default:
			return false
		}
	})
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
