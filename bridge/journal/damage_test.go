package journal_test

import (
	"bytes"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// wreck is what a power cut leaves of a journal: its file and its write-ahead log,
// without the index in memory. Each of its batches has three events, a published line
// and an answer.
type wreck struct {
	db, wal []byte
	ends    []int // where each batch's commit ends in the log
	dir     string
	opened  atomic.Int32
}

// longTests is set by BAYFILL_LONG_TESTS=1. The tests then try every byte and every
// bit, which takes minutes.
var longTests = os.Getenv("BAYFILL_LONG_TESTS") != ""

// sampled reports whether a byte of the log is tried: every byte of a frame's header,
// and every seventh byte of its page, at other places in each frame.
func sampled(at int) bool {
	const header, frame, head = 32, 24 + 512, 24
	in := (at - header) % frame
	return longTests || in <= head || (at-header)%7 == 0
}

func wreckBatch(n uint64) journal.Batch {
	e := bridgetest.Weights(3*n+1, 3)
	return journal.Batch{Events: e, Published: []points.Published{{Seq: e[2].Seq, Measurement: points.VolumeMeasurement, Fields: fmt.Sprintf("n=%di", n)}},
		Answers: []journal.Answer{{ID: fmt.Sprintf("id-%d", n), AtNs: e[2].AtNs, Reply: fmt.Appendf(nil, `{"n":%d}`, n)}}}
}

// wreckOf writes batches and reads both files from the disk. Small pages keep commits
// short. With reused, the log was copied into the file once, so that its new frames
// overwrite old ones.
func wreckOf(t *testing.T, batches int, reused bool) (w *wreck, stale []byte) {
	t.Helper()
	w = &wreck{dir: bridgetest.MemoryDir(t)}
	path := filepath.Join(w.dir, "a.journal")
	db, err := sql.Open("sqlite", "file:"+path)
	if err == nil {
		_, err = db.Exec("PRAGMA page_size = 512; VACUUM")
	}
	if err != nil {
		t.Fatal(err)
	}
	db.Close()
	j := journaltest.Open(t, path)
	first := 0
	if reused {
		for ; first < batches/2; first++ {
			journaltest.Append(t, j, wreckBatch(uint64(first)))
			w.ends = append(w.ends, 0)
		}
		if _, err := j.DB.Exec("PRAGMA wal_checkpoint(RESTART)"); err != nil {
			t.Fatal(err)
		}
		stale = bridgetest.ReadFile(t, path+"-wal")
	}
	at := 0
	for n := first; n < batches; n++ {
		journaltest.Append(t, j, wreckBatch(uint64(n)))
		// The commit ends at the last byte that differs from the old log.
		w.wal = bridgetest.ReadFile(t, path+"-wal")
		for at = len(w.wal); reused && w.wal[at-1] == stale[at-1]; at-- {
		}
		w.ends = append(w.ends, at)
	}
	w.db = bridgetest.ReadFile(t, path)
	return w, stale
}

// survivors opens the wreck and counts the batches. Each must be whole, and none may be
// missing before the last.
func (w *wreck) survivors(t *testing.T, what string, db, wal []byte) int {
	t.Helper()
	dir, err := os.MkdirTemp(w.dir, "open-")
	if err != nil {
		t.Error(err)
		return -1
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "a.journal")
	if err := errors.Join(os.WriteFile(path, db, 0o600), os.WriteFile(path+"-wal", wal, 0o600)); err != nil {
		t.Error(err)
		return -1
	}
	j, err := journal.Open(path)
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return -1
	}
	defer j.Close()
	events, err := j.Events(t.Context(), 0, 1000)
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return -1
	}
	published, err := j.PublishedBetween(t.Context(), 0, 1000)
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return -1
	}
	n := len(events) / 3
	answers := 0
	if err := j.DB.QueryRow("SELECT count(*) FROM answer").Scan(&answers); err != nil {
		t.Errorf("%s: %v", what, err)
		return -1
	}
	if len(events) != 3*n || len(published) != n || answers != n || !slices.Equal(events, bridgetest.Weights(1, 3*n)) {
		t.Errorf("%s: %d events, %d published, %d answers: part of a batch", what, len(events), len(published), answers)
		return -1
	}
	if w.opened.Add(1)%16 == 1 { // it can be appended to again
		if err := j.Append(t.Context(), wreckBatch(uint64(n))); err != nil {
			t.Errorf("%s: then: %v", what, err)
		}
	}
	return n
}

// each runs try on all processors.
func each[T any](t *testing.T, all []T, try func(T)) {
	t.Helper()
	work := make(chan T)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for v := range work {
				try(v)
			}
		})
	}
	for _, v := range all {
		if t.Failed() {
			break // one failure is enough
		}
		work <- v
	}
	close(work)
	workers.Wait()
}

// whole returns how many batches end before a place in the log.
func (w *wreck) whole(at int) int {
	n := 0
	for n < len(w.ends) && w.ends[n] <= at {
		n++
	}
	return n
}

// A power cut may end the log at any byte. Every batch committed before is there, every
// later one is not, and none is there in part.
func TestJournalCutAtEveryByte(t *testing.T) {
	const batches = 8
	t.Run("new log", func(t *testing.T) {
		w, _ := wreckOf(t, batches, false)
		var places []int
		for at := w.ends[batches-3]; at <= len(w.wal); at++ { // the last two commits
			if sampled(at) {
				places = append(places, at)
			}
		}
		for at := 0; at < w.ends[batches-3]; at += 251 {
			places = append(places, at)
		}
		t.Logf("%d cuts, the last two commits are %d bytes", len(places), len(w.wal)-w.ends[batches-3])
		each(t, places, func(at int) {
			what := fmt.Sprintf("log of %d bytes cut at %d", len(w.wal), at)
			if n := w.survivors(t, what, w.db, w.wal[:at]); n >= 0 && n != w.whole(at) {
				t.Errorf("%s: %d batches, want %d", what, n, w.whole(at))
			}
		})
	})
	t.Run("log used again", func(t *testing.T) {
		w, stale := wreckOf(t, 2*batches, true)
		var places []int
		for at := w.ends[2*batches-3]; at <= w.ends[2*batches-1]; at += 37 {
			places = append(places, at)
		}
		each(t, places, func(at int) {
			what := fmt.Sprintf("log overwritten up to %d", at)
			torn := slices.Concat(w.wal[:at], stale[min(at, len(stale)):])
			if n := w.survivors(t, what, w.db, torn); n >= 0 && n != w.whole(at) {
				t.Errorf("%s: %d batches, want %d", what, n, w.whole(at))
			}
		})
	})
	t.Run("while the log is copied into the file", func(t *testing.T) {
		w, _ := wreckOf(t, batches, false)
		db := slices.Clone(w.db)
		const header, frame, page = 32, 24 + 512, 512
		for at := header; at+frame <= len(w.wal); at += frame {
			to := (int(binary.BigEndian.Uint32(w.wal[at:])) - 1) * page
			if len(db) < to+page {
				db = append(db, make([]byte, to+page-len(db))...)
			}
			copy(db[to:to+page/3], w.wal[at+24:]) // torn within a page
			what := fmt.Sprintf("file overwritten up to frame %d", (at-header)/frame)
			if n := w.survivors(t, what, db, w.wal); n != batches {
				t.Errorf("%s: %d batches, want %d", what, n, batches)
			}
			copy(db[to:to+page], w.wal[at+24:])
		}
	})
}

// A card may return another bit than was written. In the last frame that costs the last
// batch as a whole; further up it costs all batches from there on.
func TestJournalBitFlips(t *testing.T) {
	const batches, frame = 6, 24 + 512
	w, _ := wreckOf(t, batches, false)
	var flips []int // bits of the log
	last := len(w.wal) - frame
	for bit := range 8 * 24 {
		flips = append(flips, 8*last+bit) // all of the frame's head
	}
	for bit := 8 * (last + 24); bit < 8*len(w.wal); bit++ {
		if longTests || bit%29 == 0 {
			flips = append(flips, bit)
		}
	}
	for bit := 8 * 32; bit < 8*last; bit += 8*101 + 3 {
		flips = append(flips, bit)
	}
	each(t, flips, func(bit int) {
		wal := slices.Clone(w.wal)
		wal[bit/8] ^= 1 << (bit % 8)
		what := fmt.Sprintf("bit %d of byte %d (%d from the end)", bit%8, bit/8, len(wal)-bit/8)
		if n := w.survivors(t, what, w.db, wal); n >= 0 && n != w.whole(bit/8) {
			t.Errorf("%s: %d batches, want %d", what, n, w.whole(bit/8))
		}
	})
	t.Logf("%d flips", len(flips))
}

// A card may spoil pages that were written long ago. Damaged content is never accepted:
// either everything is there or the error says what to do. Events before the damage can
// be read, the file is not changed, and a cart goes on when the damage lies before its
// snapshot.
func TestDamagedPages(t *testing.T) {
	const events, page = 1000, 4096
	path := filepath.Join(bridgetest.MemoryDir(t), "a.journal")
	j := journaltest.Open(t, path)
	var snapshot fillcalc.State
	for from := 1; from <= events; from += 100 {
		b := journal.Batch{Events: bridgetest.Weights(uint64(from), 100)}
		for _, e := range b.Events {
			snapshot = fillcalc.Apply(snapshot, e)
			if e.Seq%3 == 0 {
				b.Published = append(b.Published, points.Published{Seq: e.Seq, Measurement: points.VolumeMeasurement, Fields: fmt.Sprintf("drained_l=1e0,seq=%di", e.Seq)})
			}
		}
		if from == events/2+1 {
			b.Snapshot = &snapshot
		}
		journaltest.Append(t, j, b)
	}
	j.Close()
	whole := bridgetest.ReadFile(t, path)
	rng := rand.New(rand.NewPCG(5, 5))
	noise := make([]byte, page)
	for i := range noise {
		noise[i] = byte(rng.Uint32())
	}
	all := bridgetest.Weights(1, events)
	var before, goesOn, refused int // how many damaged pages led to it
	for at := range len(whole) / page {
		for kind, damaged := range [][]byte{
			slices.Concat(whole[:at*page], make([]byte, page), whole[(at+1)*page:]),
			slices.Concat(whole[:at*page], noise, whole[(at+1)*page:]),
			whole[:at*page+page/2],
		} {
			if !longTests && (at+kind)%3 != 0 {
				continue
			}
			what := fmt.Sprintf("page %d: %s", at, []string{"zeros", "noise", "cut"}[kind])
			if err := os.WriteFile(path, damaged, 0o600); err != nil {
				t.Fatal(err)
			}
			said := func(err error) bool {
				if err != nil && !strings.Contains(err.Error(), path+" is damaged: stop the program") {
					t.Errorf("%s: %v", what, err)
				}
				return err != nil
			}
			j, err := journal.Open(path)
			if said(err) {
				refused++
			} else {
				var read []fillcalc.Event
				for after := uint64(0); err == nil; after = read[len(read)-1].Seq {
					var some []fillcalc.Event
					if some, err = j.Events(t.Context(), after, 300); len(some) == 0 {
						break
					}
					read = append(read, some...)
				}
				_, errPublished := j.PublishedBetween(t.Context(), 0, events)
				_, _, errSent := j.Sent()
				state, _, errReplay := j.Replay(t.Context())
				said(errPublished)
				said(errSent)
				// A page whose second half is cut off loses events without a word. The replay
				// notices that.
				lost := errReplay != nil && kind == 2 && err == nil
				if !lost && (!slices.Equal(read, all[:len(read)]) || !said(err) && len(read) != events) || !said(errReplay) && state.Seq != events {
					t.Errorf("%s: %d events (%v), replayed to %d (%v)", what, len(read), err, state.Seq, errReplay)
				}
				if err != nil && len(read) > 0 {
					before++
				}
				if err != nil && errReplay == nil {
					goesOn++
				}
				j.Close()
			}
			if !bytes.Equal(bridgetest.ReadFile(t, path), damaged) {
				t.Errorf("%s: the file was changed", what)
			}
		}
	}
	if before < 5 || goesOn < 3 || refused < 5 {
		t.Errorf("with the beginning readable %d, going on %d, refused %d: this tests nothing", before, goesOn, refused)
	}
	t.Logf("%d pages: %d times the beginning is read, %d times the cart goes on, %d times the file is refused at once", len(whole)/page, before, goesOn, refused)
}

// A changed digit may turn an event into an impossible one. The events before it are
// read, and the error names it. The forwarder must survive that.
func TestDamagedEvent(t *testing.T) {
	for name, set := range map[string]string{
		"a reading that became an input": "kind = 3", "a kind that there is not": "kind = 200", "a reading with an input": `input = '{"do":"tick"}'`,
		"an input that is no JSON": `kind = 3, input = '{"do":'`, "a kind that is too large": "kind = 70000",
	} {
		t.Run(name, func(t *testing.T) {
			j := journaltest.Open(t, filepath.Join(t.TempDir(), "a.journal"))
			journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 5)})
			if _, err := j.DB.Exec("UPDATE event SET " + set + " WHERE seq = 3"); err != nil {
				t.Fatal(err)
			}
			if events, err := j.Events(t.Context(), 0, 100); err != nil || !slices.Equal(events, bridgetest.Weights(1, 2)) {
				t.Errorf("before it: %v, %v", events, err)
			}
			if events, err := j.Events(t.Context(), 2, 100); len(events) > 0 || err == nil || !strings.Contains(err.Error(), "is damaged: stop the program") {
				t.Errorf("at it: %v, %v", events, err)
			}
			if events, err := j.Events(t.Context(), 3, 100); err != nil || !slices.Equal(events, bridgetest.Weights(4, 2)) {
				t.Errorf("after it: %v, %v", events, err)
			}
		})
	}
}
