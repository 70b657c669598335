package bridge

import (
	"cmp"
	"context"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"bayfill/fillcalc"
	"bayfill/sim"
)

// known is a published figure that has a value.
func known(n number) bool { return !math.IsNaN(float64(n)) }

// ready waits until every sensor of the test cart speaks.
func ready(t *testing.T, s *subscriber) {
	t.Helper()
	eventually(t, 20*time.Second, "the sensors", func() bool {
		w, ok := s.last("/window")
		return ok && strings.Contains(string(w.payload), "no job is open") && sound(read[AlertsMessage](s, AlertsLeaf))
	})
}

// shortJob drains, fills and closes; between the phases somebody may disturb.
func shortJob(t *testing.T, rig *sim.Rig, s *subscriber, disturb func(phase string)) {
	t.Helper()
	s.must(openTestJob, `"do":"phase","phase":"draining"`)
	rig.Do((*sim.Cart).OpenDrain)
	eventually(t, 30*time.Second, "two litres", func() bool { return float64(read[VolumesMessage](s, VolumesLeaf).DrainedL) > 2 })
	disturb("draining")
	rig.Do((*sim.Cart).CloseDrain)
	settled := func() bool {
		v := read[VolumesMessage](s, VolumesLeaf)
		return v.Quality == "good" && math.Abs(float64(v.DrainedLMin)) < 0.05
	}
	eventually(t, 30*time.Second, "a quiet caddy", settled)
	s.must(`"do":"phase","phase":"filling"`)
	eventually(t, 30*time.Second, "a known supply", func() bool { return known(read[VolumesMessage](s, VolumesLeaf).AddedL) })
	rig.Do(func(c *sim.Cart) { c.StartPour(0.05) })
	eventually(t, 30*time.Second, "half a litre", func() bool { return float64(read[VolumesMessage](s, VolumesLeaf).AddedL) > 0.5 })
	disturb("filling")
	eventually(t, 30*time.Second, "a litre and a half", func() bool { return float64(read[VolumesMessage](s, VolumesLeaf).AddedL) > 1.5 })
	rig.Do((*sim.Cart).StopPour)
	eventually(t, 30*time.Second, "a quiet supply", func() bool {
		v := read[VolumesMessage](s, VolumesLeaf)
		return v.Quality == "good" && math.Abs(float64(v.AddedLMin)) < 0.05
	})
}

// decideAll says of every step that it was fluid: nothing else happens in these
// jobs.
func decideAll(s *subscriber) {
	s.t.Helper()
	for _, step := range read[JobMessage](s, JobLeaf).Undecided {
		text, _ := json.Marshal(step.Step)
		s.must(`"do":"decide","as":"fluid","step":` + string(text))
	}
	// A reply comes before the leaves that it changes.
	eventually(s.t, 10*time.Second, "the decisions", func() bool { return read[VolumesMessage](s, VolumesLeaf).UndecidedL == 0 })
}

// From bytes on pseudo-terminals to a real broker and a real InfluxDB: every
// leaf with its QoS and retain flag, the tally near the truth, and the history
// good for the same numbers to the last bit.
func TestWholeJobOnRealParts(t *testing.T) {
	broker, history := startMosquitto(t), startInflux(t)
	const speed = 10
	rig := testRig(t, speed)
	data := t.TempDir()
	s := subscribe(t, broker.url, "", "", "bayfill/#")
	_, stop := runBridge(t, testConfig(t, rig, data, broker.url, history.url), speed)
	ready(t, s)
	shortJob(t, rig, s, func(string) {})
	decideAll(s)
	truth := rig.Truth()
	v := read[VolumesMessage](s, VolumesLeaf)
	s.must(`"do":"close"`)
	eventually(t, 5*time.Second, "the closed job", func() bool { return read[VolumesMessage](s, VolumesLeaf).Phase == "closed" })

	if d := float64(v.DrainedL) - truth.DrainedL(testUsed, 20); math.Abs(d) > 0.02 {
		t.Errorf("drained %.4f L is %+.4f L from the truth", v.DrainedL, d)
	}
	if d := float64(v.AddedL) - truth.AddedL(testFresh, 20); math.Abs(d) > 0.02 {
		t.Errorf("added %.4f L is %+.4f L from the truth", v.AddedL, d)
	}

	// Flags as a new subscriber sees them, and as a live one does.
	late := subscribe(t, broker.url, "", "", "bayfill/#")
	for _, leaf := range stateLeaves {
		leaf := string(leaf)
		eventually(t, 5*time.Second, "retained "+leaf, func() bool { _, ok := late.last("/" + leaf); return ok })
		for _, m := range late.all() {
			if strings.HasSuffix(m.topic, "/"+leaf) {
				if !m.retained || m.qos != 1 {
					t.Errorf("%s came with QoS %d, retained %v; want 1, true", leaf, m.qos, m.retained)
				}
				break
			}
		}
	}
	sawReading, sawReply := false, false
	for _, m := range s.all() {
		switch {
		case strings.HasSuffix(m.topic, "/readings"):
			sawReading = true
			if m.qos != 0 || m.retained {
				t.Fatalf("a reading came with QoS %d, retained %v", m.qos, m.retained)
			}
		case strings.Contains(m.topic, "/replies/"):
			sawReply = true
			if m.qos != 1 || m.retained {
				t.Fatalf("a reply came with QoS %d, retained %v", m.qos, m.retained)
			}
		}
	}
	if !sawReading || !sawReply {
		t.Errorf("readings seen: %v, replies seen: %v", sawReading, sawReply)
	}

	stop()
	// The broker acknowledges before it delivers.
	eventually(t, 10*time.Second, "the goodbye", func() bool {
		p := read[Presence](s, PresenceLeaf)
		return !p.Online && p.Why == "stopped"
	})
	compareHistory(t, data, history)
}

// compareHistory holds InfluxDB against the journal, point by point, and folds
// what InfluxDB holds: every volume that was published must come out again, bit
// for bit.
func compareHistory(t *testing.T, data string, history *influx) {
	t.Helper()
	journal, err := OpenJournal(data + "/cart.journal")
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	ctx := context.Background()
	// What was not sent before the stop is sent now, as after a restart.
	h, err := openHistory(HistoryConfig{URL: history.url, Bucket: "bayfill/autogen"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer h.close()
	f := &forwarder{shop: "test", cart: "cart", journal: journal, history: h, told: func(string, int) {}, log: testLog()}
	for {
		n, refused, err := f.once(ctx)
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
	events := eventsFromHistory(t, history)
	if len(events) != len(kept) {
		t.Fatalf("the history holds %d events, the journal %d", len(events), len(kept))
	}
	// Fold what came from InfluxDB.
	var state fillcalc.State
	after := map[uint64]fillcalc.State{}
	for i, e := range events {
		if e.Seq != kept[i].Seq || e.AtNs != kept[i].AtNs || math.Float64bits(e.Value) != math.Float64bits(kept[i].Value) {
			t.Fatalf("event %d of the history is %+v, in the journal %+v", i, e, kept[i])
		}
		state = fillcalc.Apply(state, e)
		after[e.Seq] = state
	}
	volumes := history.rows(volumeMeasurement)
	want := 0
	for _, p := range published {
		if p.Measurement == volumeMeasurement {
			want++
		}
	}
	if len(volumes) != want || want < 20 {
		t.Fatalf("the history holds %d volumes, the journal %d", len(volumes), want)
	}
	for _, r := range volumes {
		s := after[uint64(r["seq"].(int64))]
		v := s.Volumes()
		for name, figure := range map[string]float64{
			"drained_l": v.DrainedL, "drained_u_l": v.DrainedUL, "added_l": v.AddedL, "added_u_l": v.AddedUL,
			"balance_l": v.BalanceL, "balance_u_l": v.BalanceUL, "undecided_l": v.UndecidedL,
			"drained_l_min": v.DrainedLMin, "added_l_min": v.AddedLMin, "remaining_l": float64(volumesMessage(&s).RemainingL),
			"drained_kg": v.DrainedKg, "added_kg": v.AddedKg, "caddy_free_l": v.CaddyFreeL,
		} {
			got, there := r[name].(float64)
			if there == math.IsNaN(figure) || there && math.Float64bits(got) != math.Float64bits(figure) {
				t.Fatalf("event %v: published %s was %v, recomputed %v", r["seq"], name, r[name], figure)
			}
		}
	}
}

// eventsFromHistory reads readings and inputs back from InfluxDB.
func eventsFromHistory(t *testing.T, history *influx) []fillcalc.Event {
	t.Helper()
	var events []fillcalc.Event
	for _, measurement := range []string{readingMeasurement, inputMeasurement} {
		for _, r := range history.rows(measurement) {
			p := Point{Measurement: measurement, AtNs: r["_time"].(time.Time).UnixNano(), Fields: Fields{}}
			p.Sensor, _ = r["sensor"].(string)
			for name, value := range r {
				switch value.(type) {
				case int64, float64, string:
					if !strings.HasPrefix(name, "_") && !slices.Contains([]string{"result", "table", "shop", "cart", "sensor"}, name) {
						p.Fields[name] = value
					}
				}
			}
			e, err := p.Event()
			if err != nil {
				t.Fatalf("%v: %v", r, err)
			}
			events = append(events, e)
		}
	}
	sortBySeq(events)
	return events
}

func sortBySeq(events []fillcalc.Event) {
	slices.SortFunc(events, func(a, b fillcalc.Event) int { return cmp.Compare(a.Seq, b.Seq) })
}
