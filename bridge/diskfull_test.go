package bridge

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/fillcalc"
)

// fill lets the journal's file not grow any more, as on a full disk; room lets
// it grow again.
func (j *Journal) fill(t *testing.T) (room func()) {
	t.Helper()
	j.allow(t, 0)
	return func() { j.allow(t, 1<<29) }
}

// allow lets the journal's file grow by so many pages of 4 KiB and no more.
func (j *Journal) allow(t *testing.T, more int) {
	t.Helper()
	var pages int
	err := j.db.QueryRow("PRAGMA page_count").Scan(&pages)
	if err == nil {
		_, err = j.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages+more))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// eventCount is how many events are on disk.
func (j *Journal) eventCount(t *testing.T) (n int) {
	t.Helper()
	if err := j.db.QueryRow("SELECT count(*) FROM event").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// When the disk refuses in the middle of a batch, nothing of it is there, what
// was there stays, and with space again the same batch goes in.
func TestJournalFull(t *testing.T) {
	path := t.TempDir() + "/cart.journal"
	j := openTestJournal(t, path)
	mustAppend(t, j, Batch{Events: weights(1, 100)})
	room := j.fill(t)
	large := Batch{Events: weights(101, 5000), Answers: []Answer{{ID: "a", AtNs: 1, Reply: []byte("{}")}}}
	if err := j.Append(t.Context(), large); err == nil || !strings.Contains(err.Error(), "full") {
		t.Fatalf("a full disk took 5000 events: %v", err)
	}
	if events, err := j.Events(t.Context(), 0, 1<<30); err != nil || len(events) != 100 {
		t.Fatalf("%d events stand in the journal, %v; want the 100 of before", len(events), err)
	}
	if _, done, err := j.Answered("a"); done || err != nil {
		t.Errorf("an answer of the refused batch is there (%v)", err)
	}
	room()
	mustAppend(t, j, large)
	if events, err := j.Events(t.Context(), 0, 1<<30); err != nil || len(events) != 5100 {
		t.Errorf("%d events after there was space again, %v", len(events), err)
	}
}

// The same on a file system that really has no space left, with every number of
// free pages at which it can run out: before a commit, or in the middle of one.
// Where a test may not mount anything, the file's own limit stands in.
func TestJournalOnAFullFileSystem(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	mounted := syscall.Mount("bayfill-test", dir, "tmpfs", 0, "size=2m") == nil
	if mounted {
		t.Cleanup(func() {
			if err := syscall.Unmount(dir, 0); err != nil {
				t.Errorf("unmounting: %v", err)
			}
		})
	}
	path := filepath.Join(dir, "cart.journal")
	j := openTestJournal(t, path)
	ballast := filepath.Join(dir, "ballast")
	full := func(freePages int) (room func()) {
		if !mounted {
			return j.fill(t)
		}
		var disk syscall.Statfs_t
		if err := syscall.Statfs(dir, &disk); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(ballast, make([]byte, (int(disk.Bfree)-freePages)*int(disk.Bsize)), 0o600); err != nil {
			t.Fatal(err)
		}
		return func() { os.Remove(ballast) }
	}
	n := uint64(0) // whole batches in the journal
	// Some pages of events and of an index, beyond what one commit leaves free.
	batch := func() Batch {
		b := wreckBatch(n)
		b.Events[0].Sensor = strings.Repeat("x", 9000)
		b.Answers[0].Reply = []byte(strings.Repeat("y", 9000))
		return b
	}
	refused := 0
	for free := range 12 {
		room := full(free)
		for {
			err := j.Append(t.Context(), batch())
			if err == nil {
				n++
				continue
			}
			if !strings.Contains(err.Error(), "full") {
				t.Fatalf("with %d pages free: %v", free, err)
			}
			refused++
			break
		}
		if events, err := j.Events(t.Context(), 0, 1000); err != nil || uint64(len(events)) != 3*n {
			t.Fatalf("with %d pages free: %d events, %v; want %d", free, len(events), err, 3*n)
		}
		if _, done, err := j.Answered(fmt.Sprintf("id-%d", n)); err != nil || done {
			t.Fatalf("with %d pages free: the refused batch's answer is there: %v, %v", free, done, err)
		}
		room()
		mustAppend(t, j, batch())
		n++
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
	j = openTestJournal(t, path)
	events, err := j.Events(t.Context(), 0, 1000)
	if err != nil || uint64(len(events)) != 3*n || refused != 12 {
		t.Fatalf("%d events of %d after opening again, %v; %d times refused", len(events), 3*n, err, refused)
	}
	for i := range events {
		events[i].Sensor = "caddy"
	}
	if !slices.Equal(events, weights(1, int(3*n))) {
		t.Error("the events are not what was appended")
	}
	t.Logf("mounted: %v, %d batches kept", mounted, n)
}

// A cart on a full disk goes on measuring and says what is wrong; commands are
// refused and not done. With space again everything is there, without a gap.
func TestCartOnAFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines))
		l.live(3, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		l.live(5, 0.05, 0)
		room := l.journal.fill(t)
		l.live(60, 0.02, 0)
		if text := alertTexts(newest[AlertsMessage](l, AlertsLeaf))["journal"]; !strings.Contains(text, "full") {
			t.Errorf("the alert says %q", text)
		}
		v := newest[VolumesMessage](l, VolumesLeaf)
		if kg := float64(v.DrainedKg); kg < 1.42 || kg > 1.48 {
			t.Errorf("%.3f kg were measured, about 1.45 drained", kg)
		}
		// A command needs space of its own; make sure that there is none.
		r := l.send(`{"id":"late","do":"phase","phase":"service"}`)
		if r.OK || !strings.Contains(r.Error, "not done") {
			t.Errorf("a command was answered %+v on a full disk", r)
		}
		if phase := newest[VolumesMessage](l, VolumesLeaf).Phase; phase != "draining" {
			t.Errorf("the refused command was done: phase %s", phase)
		}
		room()
		l.live(lastRewrite.Seconds()+1, 0, 0)
		if text := alertTexts(newest[AlertsMessage](l, AlertsLeaf))["journal"]; text != "" {
			t.Errorf("with space again the alert still says %q", text)
		}
		if r := l.send(`{"id":"late","do":"phase","phase":"service"}`); !r.OK {
			t.Errorf("with space again the command was refused: %s", r.Error)
		}
		l.stop()
		// kept fails on a gap; the replay must end where the cart did.
		var s fillcalc.State
		for _, e := range kept(t, l.path) {
			s = fillcalc.Apply(s, e)
		}
		if bits(s) != bits(l.state) {
			t.Errorf("the journal replays to another state:\n%+v\n%+v", s, l.state)
		}
	})
}

// A disk that refuses is tried less and less often, and what has piled up goes to
// it in pieces: with a little space a part of it is kept.
func TestBacklogGoesInPieces(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines))
		l.live(3, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		room := l.journal.fill(t)
		attempts := map[time.Time]bool{}
		for range 2400 {
			l.live(0.1, 0.01, 0)
			attempts[l.saved] = true
		}
		before := l.journal.eventCount(t)
		if behind := len(l.unsaved.Events); behind < 2*mostInBatch || before > 200 {
			t.Fatalf("%d events on disk, %d behind: this disk was not full", before, behind)
		}
		// 1, 2, 4, 8, 16 s and then every 30 s, and what still fitted in at first.
		if len(attempts) < 8 || len(attempts) > 25 {
			t.Errorf("the disk was tried %d times in 240 s", len(attempts))
		}
		if r := l.send(`{"id":"early","do":"phase","phase":"service"}`); r.OK || !strings.Contains(r.Error, "not done: the journal is") {
			t.Errorf("a command was answered %+v", r)
		}
		l.journal.allow(t, 150)
		l.live(lastRewrite.Seconds()+1, 0, 0)
		part := l.journal.eventCount(t)
		if part < before+mostInBatch || len(l.unsaved.Events) < 100 {
			t.Errorf("%d events on disk, then %d with a little space; %d behind", before, part, len(l.unsaved.Events))
		}
		room()
		l.live(lastRewrite.Seconds()+1, 0, 0)
		if a := newest[AlertsMessage](l, AlertsLeaf); len(a.Alerts) != 0 {
			t.Errorf("with space again: %+v", a)
		}
		if r := l.send(`{"id":"early","do":"phase","phase":"service"}`); !r.OK {
			t.Errorf("with space again the command was refused: %s", r.Error)
		}
		state := bits(l.state)
		l.stop()
		kept(t, l.path) // without a gap
		if again := bits(replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}

// A disk that refuses for hours: memory is bounded, the oldest readings go, and
// the journal replays all the same to what was live, also after a power cut in
// the middle of its recovery.
func TestDiskFullForHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines))
		l.mostUnsaved = 3 * mostInBatch
		l.start()
		l.live(3, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		room := l.journal.fill(t)
		full := time.Now()
		for range 60 {
			l.live(10, 0.001, 0)
			if n := len(l.unsaved.Events); n > l.mostUnsaved {
				t.Fatalf("%d events in memory", n)
			}
			if p := l.unsaved.Published; len(p) > 0 && p[0].Seq < l.unsaved.Events[0].Seq {
				t.Fatalf("what was published after event %d is in memory, the event is not", p[0].Seq)
			}
		}
		drained := newest[VolumesMessage](l, VolumesLeaf).DrainedKg
		if drained < 0.58 || drained > 0.61 {
			t.Errorf("%.3f kg are drained, want 0.6", drained)
		}
		// Times of the contract sort as text.
		var from, to string
		text := alertTexts(newest[AlertsMessage](l, AlertsLeaf))["journal_gap"]
		fmt.Sscanf(text, "the journal has no readings from %s to %s", &from, &to)
		after := func(d time.Duration) string { return timestamp(full.Add(d).UnixNano()) }
		if from < after(0) || from > after(time.Minute) || to < after(3*time.Minute) || to > after(10*time.Minute) {
			t.Errorf("full since %s, ten minutes later it says %q", after(0), text)
		}

		for pages := 10; l.gap.open; pages += 10 { // until one batch goes in
			l.journal.allow(t, pages)
			l.live(lastRewrite.Seconds()+1, 0, 0)
		}
		if behind := len(l.unsaved.Events); behind < mostInBatch {
			t.Fatalf("%d events behind: this is not the middle", behind)
		}
		cut := filepath.Join(memoryDir(t), "cart.journal")
		for _, end := range []string{"", "-wal"} {
			if err := os.WriteFile(cut+end, readFile(t, l.path+end), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if s := replayed(t, cut); math.Abs(s.Volumes().DrainedKg-float64(drained)) > 0.01 || s.Job.Phase != fillcalc.Draining {
			t.Errorf("after a power cut %.3f kg are drained in phase %s, want %.3f", s.Volumes().DrainedKg, s.Job.Phase, drained)
		}

		room()
		l.live(lastRewrite.Seconds()+1, 0, 0)
		l.must(`"do":"phase","phase":"service"`)
		l.live(2, 0, 0)
		state := bits(l.state)
		l.stop()
		if again := bits(replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}
