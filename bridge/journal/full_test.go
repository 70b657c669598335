package journal_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
)

// When the disk fills up in the middle of a batch, nothing of the batch is kept, earlier
// events stay, and the same batch can be appended once there is space again.
func TestJournalFull(t *testing.T) {
	path := t.TempDir() + "/cart.journal"
	j := journaltest.Open(t, path)
	journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 100)})
	room := journaltest.FillUp(t, j)
	large := journal.Batch{Events: bridgetest.Weights(101, 5000), Answers: []journal.Answer{{ID: "a", AtNs: 1, Reply: []byte("{}")}}}
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
	journaltest.Append(t, j, large)
	if events, err := j.Events(t.Context(), 0, 1<<30); err != nil || len(events) != 5100 {
		t.Errorf("%d events after there was space again, %v", len(events), err)
	}
}

// The same on a file system without space, for every number of free pages at which it
// can run out: before a commit, or in the middle of one. Where the test may not mount a
// file system, SQLite's own limit of the file's size replaces it.
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
	j := journaltest.Open(t, path)
	ballast := filepath.Join(dir, "ballast")
	full := func(freePages int) (room func()) {
		if !mounted {
			return journaltest.FillUp(t, j)
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
	// Several pages of events and of an index: more than one commit leaves free.
	batch := func() journal.Batch {
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
		journaltest.Append(t, j, batch())
		n++
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
	j = journaltest.Open(t, path)
	events, err := j.Events(t.Context(), 0, 1000)
	if err != nil || uint64(len(events)) != 3*n || refused != 12 {
		t.Fatalf("%d events of %d after opening again, %v; %d times refused", len(events), 3*n, err, refused)
	}
	for i := range events {
		events[i].Sensor = "caddy"
	}
	if !slices.Equal(events, bridgetest.Weights(1, int(3*n))) {
		t.Error("the events are not what was appended")
	}
	t.Logf("mounted: %v, %d batches kept", mounted, n)
}
