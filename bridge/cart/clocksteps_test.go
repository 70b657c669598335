package cart

import (
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/clock"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// figures holds all figures of a tally and a window, to the last bit.
type figures struct {
	bits           [15]uint64
	changes        int
	quality, state string
}

func figuresOf(s *fillcalc.State) figures {
	v, w := s.Volumes(), s.CheckWindow()
	plan, _ := s.Plan()
	f := figures{changes: len(s.Job.Changes), quality: v.Quality.String(), state: string(w.State) + w.Quality.String()}
	for i, number := range [...]float64{
		v.DrainedKg, v.AddedKg, v.DrainedL, v.DrainedUL, v.AddedL, v.AddedUL, v.BalanceL, v.BalanceUL, v.UndecidedL,
		v.DrainedLMin, v.AddedLMin, plan.RemainingL, v.CaddyFreeL, w.TempC, w.RateCMin,
	} {
		f.bits[i] = math.Float64bits(number)
	}
	return f
}

// aJob returns the events of a cart's journal after a job in which fluid drained, a
// tool was laid down, a scale fell silent and fluid was poured. It needs no journal and
// no clock of this machine.
func aJob(t *testing.T) []fillcalc.Event {
	t.Helper()
	var events []fillcalc.Event
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.caddyKg += 0.8
		l.live(5, 0.01, 0)
		time.Sleep(12 * time.Second)
		l.live(5, 0, 0)
		l.must(`"do":"answer","change":1,"as":"thing"`, `"do":"phase","phase":"filling"`)
		for range 20 {
			l.celsius += 0.4
			l.live(1, 0, 0.043)
		}
		l.must(`"do":"phase","phase":"running"`, `"do":"phase","phase":"checking"`)
		l.live(5, 0, 0)
		l.must(`"do":"close","why":"a test"`)
		l.stop()
		events = kept(t, l.path)
	})
	if len(events) < 1000 {
		t.Fatalf("the job has %d events", len(events))
	}
	return events
}

// shifts are the errors of a wall clock.
var shifts = map[string]time.Duration{
	"30 s ahead": 30 * time.Second, "30 s behind": -30 * time.Second,
	"20 years ahead": 20 * 8766 * time.Hour, "20 years behind": -20 * 8766 * time.Hour,
}

// TestClockStepsChangeNothing checks that a wall clock that is wrong changes no figure in
// its last bit, and one that is set between two runs changes no tally. A clock that is set
// during a run is not read.
func TestClockStepsChangeNothing(t *testing.T) {
	if start := clock.New(0, 1).Start.String(); !strings.Contains(start, " m=") {
		t.Errorf("the clock starts from %s: without the monotonic part it follows the wall clock's steps", start)
	}
	events := aJob(t)
	t.Run("wrong all along", func(t *testing.T) {
		var right []figures
		var s fillcalc.State
		for _, e := range events {
			s = fillcalc.Apply(s, e)
			right = append(right, figuresOf(&s))
		}
		for name, shift := range shifts {
			var s fillcalc.State
			for i, e := range events {
				e.AtNs += int64(shift)
				s = fillcalc.Apply(s, e)
				if figuresOf(&s) != right[i] {
					t.Errorf("%s: event %d gives %+v", name, e.Seq, s.Volumes())
					break
				}
			}
		}
	})
	// Fluid drains while the program restarts with another clock: the journal's last
	// event is ahead of it, or far behind.
	drains := slices.IndexFunc(events, func(e fillcalc.Event) bool { return e.Input != nil && e.Input.Phase == fillcalc.Draining })
	pouring := slices.IndexFunc(events, func(e fillcalc.Event) bool { return e.AtNs > events[drains].AtNs+10e9 })
	half := events[:pouring]
	caddyKg := 0.0
	for _, e := range half {
		if e.Sensor == "caddy" {
			caddyKg = e.Value
		}
	}
	results, drainedKg := map[string]figures{}, map[string]float64{}
	for name, shift := range shifts {
		t.Run("set between two runs, "+name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
				j, err := journal.Open(config.JournalPath("cart"))
				if err != nil {
					t.Fatal(err)
				}
				batch := journal.Batch{Events: slices.Clone(half)}
				// The difference between the journal's last time and the new run's clock.
				move := time.Now().Add(shift).UnixNano() - half[len(half)-1].AtNs
				for i := range batch.Events {
					batch.Events[i].AtNs += move
				}
				if err := j.Append(t.Context(), batch); err != nil {
					t.Fatal(err)
				}
				j.Close()
				l := newLonely(t, config)
				l.caddyKg = caddyKg
				l.start()
				began := time.Now()
				l.live(5, 0, 0)
				l.live(20, 0.05, 0)
				// 0.05 kg/s of 854.5 kg/m³, with buoyancy: a wrong duration would show here.
				if rate := newest[wire.Volumes](l, wire.VolumesLeaf).DrainedLMin; math.Abs(float64(rate)-3.515) > 0.05 {
					t.Errorf("%v L/min, want 3.515", rate)
				}
				l.live(5, 0, 0)
				if w := newest[wire.Window](l, wire.WindowLeaf); w.Quality != "good" {
					t.Errorf("window %+v", w)
				}
				results[name], drainedKg[name] = figuresOf(&l.state), l.state.Volumes().DrainedKg
				last, life := l.state.NowNs, time.Since(began)-30*time.Millisecond // of the last reading
				l.stop()
				all := kept(t, l.path) // times rise strictly
				start := all[len(half)]
				if start.Input == nil || start.Input.Do != fillcalc.DoStart {
					t.Fatalf("after the old events comes %+v", start)
				}
				// Two events at one moment are placed a nanosecond apart.
				if d := time.Duration(last - start.AtNs); (d - life).Abs() > time.Microsecond {
					t.Errorf("the run lasted %v, by its events %v", life, d)
				}
			})
		})
	}
	if results["20 years ahead"] != results["30 s ahead"] {
		t.Error("with the clock 20 years ahead the tally is another one than with 30 s")
	}
	// A clock that was set forward looks like a pause, in which fluid may have run.
	for name, kg := range drainedKg {
		if math.Abs(kg-drainedKg["30 s ahead"]) > 0.001 {
			t.Errorf("%s: %.4f kg drained, with the clock 30 s ahead %.4f", name, kg, drainedKg["30 s ahead"])
		}
	}
}
