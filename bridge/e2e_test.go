package bridge

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// ready waits until every sensor of the test cart sends readings.
func ready(t *testing.T, s *bridgetest.Subscriber) {
	t.Helper()
	bridgetest.Eventually(t, 20*time.Second, "the sensors", func() bool {
		w, ok := s.Last("/window")
		return ok && strings.Contains(string(w.Payload), "no job is open") && sound(bridgetest.Read[wire.Alerts](s, wire.AlertsLeaf))
	})
}

// shortJob drains, fills and closes. It calls disturb between the phases.
func shortJob(t *testing.T, rig *sim.Rig, s *bridgetest.Subscriber, disturb func(phase string)) {
	t.Helper()
	s.Must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
	weighed(t, s, "draining")
	rig.Do((*sim.Cart).OpenDrain)
	bridgetest.Eventually(t, 30*time.Second, "two litres", func() bool { return float64(bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).DrainedL) > 2 })
	disturb("draining")
	rig.Do((*sim.Cart).CloseDrain)
	settled := func() bool {
		v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
		return v.Quality == "good" && math.Abs(float64(v.DrainedLMin)) < 0.05
	}
	bridgetest.Eventually(t, 30*time.Second, "a quiet caddy", settled)
	s.Must(`"do":"phase","phase":"filling"`)
	weighed(t, s, "filling")
	rig.Do(func(c *sim.Cart) { c.StartPour(0.05) })
	bridgetest.Eventually(t, 30*time.Second, "half a litre", func() bool { return float64(bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).AddedL) > 0.5 })
	disturb("filling")
	bridgetest.Eventually(t, 30*time.Second, "a litre and a half", func() bool { return float64(bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).AddedL) > 1.5 })
	rig.Do((*sim.Cart).StopPour)
	bridgetest.Eventually(t, 30*time.Second, "a quiet supply", func() bool {
		v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
		return v.Quality == "good" && math.Abs(float64(v.AddedLMin)) < 0.05
	})
}

// weighed waits until the scales that count in a phase have been weighed.
func weighed(t *testing.T, s *bridgetest.Subscriber, phase string) {
	t.Helper()
	bridgetest.Eventually(t, 30*time.Second, "the weighing for "+phase, func() bool {
		v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
		return v.Phase == phase && v.Quality == "good"
	})
}

// answerAll says that the scales are clear, and that every change of which nobody knows yet
// what it was is fluid, because nothing else happens in these jobs.
func answerAll(s *bridgetest.Subscriber) {
	s.T.Helper()
	s.Must(`"do":"clear"`)
	for _, c := range bridgetest.Read[wire.Job](s, wire.JobLeaf).Changes {
		if c.As == "" {
			s.Must(answerOf(c))
		}
	}
	// The reply to a command comes before the leaves that the command changes.
	bridgetest.Eventually(s.T, 10*time.Second, "the answers", func() bool { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).UndecidedL == 0 })
}

// answerOf says that a change was fluid where that is possible, as the JSON after the id.
func answerOf(c wire.JobChange) string {
	as := wire.Answers(fillcalc.Load(c.Sensor), float64(c.Kg))[0]
	return fmt.Sprintf(`"do":"answer","change":%d,"change_at":%q,"as":%q`, c.Change, c.At, as)
}

// A whole job runs from bytes on pseudo-terminals to a real broker and a real InfluxDB. Every
// leaf has its QoS and retain flag, the tally is close to the truth, and the history gives the
// same figures bit for bit.
func TestWholeJobOnRealParts(t *testing.T) {
	broker, history := bridgetest.StartMosquitto(t), bridgetest.StartInflux(t)
	const speed = 10
	rig := bridgetest.NewRig(t, speed)
	data := t.TempDir()
	s := bridgetest.Subscribe(t, broker.URL, "", "", "bayfill/#")
	_, stop := runBridge(t, testConfig(t, rig, data, broker.URL, history.URL), speed)
	ready(t, s)
	shortJob(t, rig, s, func(string) {})
	answerAll(s)
	truth := rig.Truth()
	v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
	s.Must(`"do":"close","why":"a test"`)
	bridgetest.Eventually(t, 5*time.Second, "the closed job", func() bool { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Phase == "closed" })

	if d := float64(v.DrainedL) - truth.DrainedL(bridgetest.UsedFluid, 20); math.Abs(d) > 0.02 {
		t.Errorf("drained %.4f L is %+.4f L from the truth", v.DrainedL, d)
	}
	if d := float64(v.AddedL) - truth.AddedL(bridgetest.FreshFluid, 20); math.Abs(d) > 0.02 {
		t.Errorf("added %.4f L is %+.4f L from the truth", v.AddedL, d)
	}

	// The flags that a new subscriber receives, and those that a live one receives.
	late := bridgetest.Subscribe(t, broker.URL, "", "", "bayfill/#")
	for _, leaf := range wire.StateLeaves {
		leaf := string(leaf)
		bridgetest.Eventually(t, 5*time.Second, "retained "+leaf, func() bool { _, ok := late.Last("/" + leaf); return ok })
		for _, m := range late.All() {
			if strings.HasSuffix(m.Topic, "/"+leaf) {
				if !m.Retained || m.QoS != 1 {
					t.Errorf("%s came with QoS %d, retained %v; want 1, true", leaf, m.QoS, m.Retained)
				}
				break
			}
		}
	}
	sawReading, sawReply := false, false
	for _, m := range s.All() {
		switch {
		case strings.HasSuffix(m.Topic, "/readings"):
			sawReading = true
			if m.QoS != 0 || m.Retained {
				t.Fatalf("a reading came with QoS %d, retained %v", m.QoS, m.Retained)
			}
		case strings.Contains(m.Topic, "/replies/"):
			sawReply = true
			if m.QoS != 1 || m.Retained {
				t.Fatalf("a reply came with QoS %d, retained %v", m.QoS, m.Retained)
			}
		}
	}
	if !sawReading || !sawReply {
		t.Errorf("readings seen: %v, replies seen: %v", sawReading, sawReply)
	}

	stop()
	// The broker acknowledges before it delivers.
	bridgetest.Eventually(t, 10*time.Second, "the goodbye", func() bool {
		p := bridgetest.Read[wire.Presence](s, wire.PresenceLeaf)
		return !p.Online && p.Why == "stopped"
	})
	compareHistory(t, data, history)
}

// compareHistory compares InfluxDB with the journal, point by point, and folds the events in
// InfluxDB: every published volume must come out again bit for bit.
func compareHistory(t *testing.T, data string, server *bridgetest.Influx) {
	t.Helper()
	journal, err := journal.Open(data + "/cart.journal")
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	ctx := context.Background()
	// Events that were not sent before the stop are sent now, as after a restart.
	h, err := history.Open(config.History{URL: server.URL, Bucket: "bayfill/autogen"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	f := &history.Forwarder{Shop: "test", Cart: "cart", Journal: journal, Client: h, Report: func(string, int) {}, Log: bridgetest.Log()}
	for {
		n, refused, err := f.Once(ctx)
		if err != nil || refused > 0 {
			t.Fatalf("forwarding: %v, %d refused", err, refused)
		}
		if n == 0 {
			break
		}
	}
	kept, err := journal.Events(ctx, 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	published, err := journal.PublishedBetween(ctx, 0, math.MaxInt64)
	if err != nil {
		t.Fatal(err)
	}
	events := journaltest.EventsFromHistory(t, server)
	if len(events) != len(kept) {
		t.Fatalf("the history holds %d events, the journal %d", len(events), len(kept))
	}
	// Fold the events from InfluxDB.
	var state fillcalc.State
	after := map[uint64]fillcalc.State{}
	for i, e := range events {
		if e.Seq != kept[i].Seq || e.AtNs != kept[i].AtNs || math.Float64bits(e.Value) != math.Float64bits(kept[i].Value) {
			t.Fatalf("event %d of the history is %+v, in the journal %+v", i, e, kept[i])
		}
		state = fillcalc.Apply(state, e)
		after[e.Seq] = state
	}
	volumes := server.Rows(points.VolumeMeasurement)
	want := 0
	for _, p := range published {
		if p.Measurement == points.VolumeMeasurement {
			want++
		}
	}
	if len(volumes) != want || want < 20 {
		t.Fatalf("the history holds %d volumes, the journal %d", len(volumes), want)
	}
	for _, r := range volumes {
		s := after[uint64(r.Fields["seq"].(int64))]
		v := s.Volumes()
		for name, figure := range map[string]float64{
			"drained_l": v.DrainedL, "drained_u_l": v.DrainedUL, "added_l": v.AddedL, "added_u_l": v.AddedUL,
			"balance_l": v.BalanceL, "balance_u_l": v.BalanceUL, "undecided_l": v.UndecidedL,
			"drained_l_min": v.DrainedLMin, "added_l_min": v.AddedLMin, "remaining_l": float64(wire.VolumesOf(&s).RemainingL),
			"drained_kg": v.DrainedKg, "added_kg": v.AddedKg, "caddy_free_l": v.CaddyFreeL,
		} {
			got, there := r.Fields[name].(float64)
			if there == math.IsNaN(figure) || there && math.Float64bits(got) != math.Float64bits(figure) {
				t.Fatalf("event %v: published %s was %v, recomputed %v", r.Fields["seq"], name, r.Fields[name], figure)
			}
		}
	}
}
