package cart

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

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
			raise(fillcalc.Text{Key: text})
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
		if a := now(); len(a) != 1 || !strings.Contains(a["sensor:caddy"], "has been silent since "+silent.Format("15:04 UTC")+": ") {
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
		// A scale that says so itself sends whole frames.
		for _, c := range []struct{ frame, says string }{
			{"OL,GS,+0031.000kg\r\n", "is overloaded: take weight off it."}, {"UL,GS,-0001.900kg\r\n", "is below its range: the container is off."},
		} {
			l.say("caddy", c.frame)
			if a := now(); len(a) != 1 || !strings.Contains(a["frames:caddy"], c.says) {
				t.Errorf("%q: alerts %q", c.frame, a)
			}
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

// TestAlertIsHeardInABurst reports a trouble and its end while the inbox is full: both
// arrive, although each is reported once.
func TestAlertIsHeardInABurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.drivers = nil
		raise := l.reporter(wire.AlertBroker)
		raise(fillcalc.Text{Key: "down"})
		for len(l.inbox) < cap(l.inbox) {
			l.inbox <- report{event: &fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "caddy", Value: 3}}
		}
		go raise(fillcalc.Text{})
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
		{"journal 3 h ahead", "This cart's time is 3 h ahead of the computer's clock", 3 * time.Hour},
		{"journal 20 years ahead", "This cart's time is 7305 d ahead of the computer's clock", 20 * 8766 * time.Hour},
		{"clock set forward", "The computer's clock is 5 min ahead of this cart's time", -5 * time.Minute},
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
				if r := l.send(`{"id":"late","do":"republish","not_after":"` + late + `"}`); r.OK || !strings.Contains(r.Error, " too late: here it is "+time.Now().UTC().Format("2006-01-02 15:04")) {
					t.Errorf("too late by the computer's clock: %+v", r)
				}
				if r := l.send(`{"id":"in","do":"republish","not_after":"` + in + `"}`); !r.OK {
					t.Errorf("in time by the computer's clock: %+v", r)
				}
			})
		})
	}
}
