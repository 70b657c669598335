package cart

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/fillcalc"
)

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

// TestCommandDoesNotOvertakeReadings checks that what was measured before a command
// arrived is applied before it, however the scheduler treats the two queues.
func TestCommandDoesNotOvertakeReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.drivers = nil
		const waiting = 200
		for i := range waiting {
			l.Feed(fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "caddy", N: uint64(i + 1), Value: 3})
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

// TestSensorsGiveAtOnce lets two sensors and commands come as fast as they can: each sensor's
// readings stay in their order, and none is lost, whether they were handled at once or through
// the inbox.
func TestSensorsGiveAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines))
		l.drivers = nil
		l.start()
		const readings = 3000
		var given sync.WaitGroup
		for _, sensor := range []string{"caddy", "supply"} {
			given.Go(func() {
				for i := range uint64(readings) {
					l.give(t.Context(), report{sensor: sensor, event: &fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: sensor, N: i + 1, Value: 3}})
				}
			})
		}
		for i := range 20 {
			l.commands <- incoming{payload: fmt.Appendf(nil, `{"id":"c%d","do":"republish"}`, i)}
		}
		given.Wait()
		synctest.Wait()
		l.stop()
		last := map[string]uint64{}
		for _, e := range kept(t, l.path) {
			if e.Kind == fillcalc.KindWeight {
				if last[e.Sensor]++; e.N != last[e.Sensor] {
					t.Fatalf("%s: reading %d at the place of %d", e.Sensor, e.N, last[e.Sensor])
				}
			}
		}
		if last["caddy"] != readings || last["supply"] != readings {
			t.Errorf("kept %v of %d each", last, readings)
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
		l.Feed(fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "caddy", N: uint64(i + 1), Value: 3})
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
