package cart

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestCartOnAFullDisk checks that a cart on a full disk goes on measuring and says what
// is wrong; commands are refused and not done. With space again everything is saved
// without a gap.
func TestCartOnAFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(5, 0.05, 0)
		room := journaltest.FillUp(t, l.journal)
		l.live(60, 0.02, 0)
		if text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["journal"]; !strings.Contains(text, "full") {
			t.Errorf("the alert says %q", text)
		}
		v := newest[wire.Volumes](l, wire.VolumesLeaf)
		if kg := float64(v.DrainedKg); kg < 1.42 || kg > 1.48 {
			t.Errorf("%.3f kg were measured, about 1.45 drained", kg)
		}
		// A command needs its own space; make sure that there is none.
		r := l.send(`{"id":"late","do":"phase","phase":"service"}`)
		if r.OK || !strings.Contains(r.Error, "Not done") {
			t.Errorf("a command was answered %+v on a full disk", r)
		}
		if phase := newest[wire.Volumes](l, wire.VolumesLeaf).Phase; phase != "draining" {
			t.Errorf("the refused command was done: phase %s", phase)
		}
		room()
		l.live(maxRetry.Seconds()+1, 0, 0)
		if text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["journal"]; text != "" {
			t.Errorf("with space again the alert still says %q", text)
		}
		if r := l.send(`{"id":"late","do":"phase","phase":"service"}`); !r.OK {
			t.Errorf("with space again the command was refused: %s", r.Error)
		}
		l.stop()
		// kept fails on a gap; the replay must end in the cart's state.
		var s fillcalc.State
		for _, e := range kept(t, l.path) {
			s = fillcalc.Apply(s, e)
		}
		if bridgetest.Bits(s) != bridgetest.Bits(l.state) {
			t.Errorf("the journal replays to another state:\n%+v\n%+v", s, l.state)
		}
	})
}

// TestBacklogIsWrittenInPieces checks that a failing disk is tried less and less often,
// and that the backlog is written in pieces: with a little space a part of it is saved.
func TestBacklogIsWrittenInPieces(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		room := journaltest.FillUp(t, l.journal)
		attempts := map[time.Time]bool{}
		for range 2400 {
			l.live(0.1, 0.01, 0)
			l.lock.Lock()
			attempts[l.backlog.beganAt] = true
			l.lock.Unlock()
		}
		before := journaltest.EventCount(t, l.journal)
		behind := func() int {
			l.lock.Lock()
			defer l.lock.Unlock()
			return len(l.backlog.batch.Events)
		}
		if behind := behind(); behind < 2*maxBatch || before > 200 {
			t.Fatalf("%d events on disk, %d behind: this disk was not full", before, behind)
		}
		// After 1, 2, 4, 8, 16 s and then every 30 s, besides the writes that still fitted.
		if len(attempts) < 8 || len(attempts) > 25 {
			t.Errorf("the disk was tried %d times in 240 s", len(attempts))
		}
		if r := l.send(`{"id":"early","do":"phase","phase":"service"}`); r.OK || !strings.Contains(r.Error, "Not done: the disk was in trouble") {
			t.Errorf("a command was answered %+v", r)
		}
		journaltest.Allow(t, l.journal, 150)
		l.live(maxRetry.Seconds()+1, 0, 0)
		part := journaltest.EventCount(t, l.journal)
		if part < before+maxBatch || behind() < 100 {
			t.Errorf("%d events on disk, then %d with a little space; %d behind", before, part, behind())
		}
		room()
		l.live(maxRetry.Seconds()+1, 0, 0)
		if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) != 0 {
			t.Errorf("with space again: %+v", a)
		}
		if r := l.send(`{"id":"early","do":"phase","phase":"service"}`); !r.OK {
			t.Errorf("with space again the command was refused: %s", r.Error)
		}
		l.stop()
		state := bridgetest.Bits(l.state)
		kept(t, l.path) // without a gap
		if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}

// TestDiskFullForHours lets the disk fail for hours: memory is bounded, the oldest
// readings are dropped, and the journal still replays to what was live, also after a
// power cut in the middle of its recovery.
func TestDiskFullForHours(t *testing.T) {
	bridgetest.Slow(t)
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.backlog.max = 3 * maxBatch
		l.start()
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		room := journaltest.FillUp(t, l.journal)
		full := time.Now()
		for range 60 {
			l.live(10, 0.001, 0)
			if n := len(l.backlog.batch.Events); n > l.backlog.max {
				t.Fatalf("%d events in memory", n)
			}
			if p := l.backlog.batch.Published; len(p) > 0 && p[0].Seq < l.backlog.batch.Events[0].Seq {
				t.Fatalf("what was published after event %d is in memory, the event is not", p[0].Seq)
			}
		}
		drained := newest[wire.Volumes](l, wire.VolumesLeaf).DrainedKg
		if drained < 0.58 || drained > 0.61 {
			t.Errorf("%.3f kg are drained, want 0.6", drained)
		}
		// Timestamps sort as text.
		var from, to string
		for _, a := range newest[wire.Alerts](l, wire.AlertsLeaf).Alerts {
			if a.Code == wire.AlertJournalGap {
				from, to = a.Names["from_when"], a.Names["to_when"]
			}
		}
		after := func(d time.Duration) string { return wire.Timestamp(full.Add(d).UnixNano()) }
		if from < after(0) || from > after(time.Minute) || to < after(3*time.Minute) || to > after(10*time.Minute) {
			t.Errorf("full since %s, ten minutes later it says from %s to %s", after(0), from, to)
		}

		for pages := 10; l.backlog.gap.open; pages += 10 { // until one batch is written
			journaltest.Allow(t, l.journal, pages)
			l.live(maxRetry.Seconds()+1, 0, 0)
		}
		if behind := len(l.backlog.batch.Events); behind < maxBatch {
			t.Fatalf("%d events behind: this is not the middle", behind)
		}
		cut := filepath.Join(bridgetest.MemoryDir(t), "cart.journal")
		for _, end := range []string{"", "-wal"} {
			if err := os.WriteFile(cut+end, bridgetest.ReadFile(t, l.path+end), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if s := journaltest.Replayed(t, cut); math.Abs(s.Volumes().DrainedKg-float64(drained)) > 0.01 || s.Job.Phase != fillcalc.Draining {
			t.Errorf("after a power cut %.3f kg are drained in phase %s, want %.3f", s.Volumes().DrainedKg, s.Job.Phase, drained)
		}

		room()
		l.live(maxRetry.Seconds()+1, 0, 0)
		l.must(`"do":"phase","phase":"service"`)
		l.live(2, 0, 0)
		state := bridgetest.Bits(l.state)
		l.stop()
		if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}
