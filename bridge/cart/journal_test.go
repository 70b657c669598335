package cart

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"
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

// TestReplayFromASnapshot checks that a replay from a snapshot anywhere equals the
// replay from the start, bit for bit.
func TestReplayFromASnapshot(t *testing.T) {
	events := aJob(t)
	var states []fillcalc.State
	var s fillcalc.State
	for _, e := range events {
		s = fillcalc.Apply(s, e)
		states = append(states, s)
	}
	want := bridgetest.Bits(s)
	for at := 0; at <= len(events); at += 1 + len(events)/5 {
		j := journaltest.Open(t, filepath.Join(bridgetest.MemoryDir(t), "a.journal"))
		first := journal.Batch{Events: events[:at]}
		if at > 0 {
			first.Snapshot = &states[at-1]
		}
		journaltest.Append(t, j, first)
		journaltest.Append(t, j, journal.Batch{Events: events[at:]})
		got, _, err := j.Replay(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if bridgetest.Bits(got) != want {
			t.Fatalf("with a snapshot after event %d:\n%s\nfrom the start:\n%s", at, bridgetest.Bits(got), want)
		}
		if at == 0 {
			continue
		}
		// The snapshot replaces what came before it.
		if _, err := j.Prune(t.Context(), time.Unix(0, math.MaxInt64), uint64(at), false); err != nil {
			t.Fatal(err)
		}
		if kept, err := j.Events(t.Context(), 0, 1<<30); err != nil || len(kept) != len(events)-at {
			t.Fatalf("%d events are kept, %v, want %d", len(kept), err, len(events)-at)
		}
		if got, _, err = j.Replay(t.Context()); err != nil || bridgetest.Bits(got) != want {
			t.Fatalf("after pruning up to a snapshot after event %d: %v", at, err)
		}
	}
}

// TestPruningAfterARestart checks that a restarted cart deletes old events only up to
// where its journal can be replayed from: here the run before left no snapshot.
func TestPruningAfterARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines)
		l := startLonely(t, config)
		l.live(3, 0, 0)
		l.stop()
		for range 2 {
			l = newLonely(t, config)
			l.retention.keep, l.retention.prunedNs = 0, 0 // everything is old, and pruning is due
			l.start()
			l.live(3, 0, 0)
			state := bridgetest.Bits(l.state)
			l.stop()
			if first := kept(t, l.path)[0].Seq; first == 1 {
				t.Error("nothing was pruned")
			}
			if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
				t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
			}
		}
	})
}

// TestPruningFails checks that new events are saved, and once, when old ones cannot be
// deleted.
func TestPruningFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		if _, err := l.journal.DB.Exec("CREATE TRIGGER never BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'never'); END"); err != nil {
			t.Fatal(err)
		}
		l.retention.keep, l.retention.prunedNs = 0, 0
		l.start()
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(3, 0.05, 0)
		if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) != 0 {
			t.Errorf("alerts %v", a.Alerts)
		}
		state := bridgetest.Bits(l.state)
		l.stop()
		kept(t, l.path) // without a gap
		if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}

// TestCartOnADiskTurnedReadOnly turns the file system read-only under a running cart,
// as Linux does with a failing card: measuring goes on, the alert says so, and commands
// are refused.
func TestCartOnADiskTurnedReadOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		readOnly := func(on int) {
			t.Helper()
			if _, err := l.journal.DB.Exec(fmt.Sprintf("PRAGMA query_only = %d", on)); err != nil {
				t.Fatal(err)
			}
		}
		l.live(2, 0, 0)
		readOnly(1)
		l.live(40, 0.02, 0)
		if text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["journal"]; !strings.Contains(text, "readonly") || !strings.Contains(text, "Measuring goes on") {
			t.Errorf("the alert says %q", text)
		}
		if kg := float64(newest[wire.Volumes](l, wire.VolumesLeaf).DrainedKg); kg < 0.77 || kg > 0.82 {
			t.Errorf("%.3f kg are drained, want 0.8", kg)
		}
		if r := l.send(`{"id":"late","do":"phase","phase":"service"}`); r.OK || !strings.Contains(r.Error, "Not done") {
			t.Errorf("a command was answered %+v", r)
		}
		readOnly(0)
		l.live(maxRetry.Seconds()+1, 0, 0)
		if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) != 0 {
			t.Errorf("alerts %v", a.Alerts)
		}
		state := bridgetest.Bits(l.state)
		l.stop()
		kept(t, l.path) // without a gap
		if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}

// TestHungLoopIsSeen checks that a loop that waits for a disk without an answer is seen
// to hang, and then to go on.
func TestHungLoopIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.backlog.inFlight = new(journal.Batch) // the next command waits for it
		l.start()
		time.Sleep(time.Minute) // silence all the while: the timer turns the loop
		if since := l.SinceTurn(); since > time.Second {
			t.Errorf("an idle loop has not turned for %v", since)
		}
		l.Command([]byte(`{"id":"c",` + bridgetest.OpenJob + `}`))
		time.Sleep(16 * time.Second)
		if since := l.SinceTurn(); since < 15*time.Second {
			t.Errorf("a loop that hangs turned %v ago", since)
		}
		l.backlog.done <- outcome{err: errors.New("no disk")}
		time.Sleep(time.Second)
		if since := l.SinceTurn(); since > time.Second {
			t.Errorf("a loop that goes on has not turned for %v", since)
		}
	})
}
