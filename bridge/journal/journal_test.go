package journal_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Events are read back bit for bit, also after the journal was closed.
func TestJournalGivesBackWhatItTook(t *testing.T) {
	path := filepath.Join(t.TempDir(), "folder", "a journal?#%.journal")
	j := journaltest.Open(t, path)
	rng := rand.New(rand.NewPCG(7, 7))
	floats := []float64{0, 5e-324, -5e-324, 2.2250738585072009e-308, 2.2250738585072014e-308, math.MaxFloat64, -math.MaxFloat64,
		1, -1, 1 << 53, 1<<53 + 2, 1 << 62, -(1 << 63), 1e22, 0.1, 1.0 / 3, math.Nextafter(1, 2), math.Pi * 1e-300}
	for len(floats) < 600 {
		if f := math.Float64frombits(rng.Uint64()); !math.IsNaN(f) && !math.IsInf(f, 0) {
			floats = append(floats, f)
		}
	}
	texts := []string{"", "caddy", "ä\n\t\"'\\", "\x00", "日本", strings.Repeat("x", 10000)}
	var want []fillcalc.Event
	atNs := int64(-5e18)
	for i, f := range floats {
		atNs += rng.Int64N(5e15) + 1
		e := fillcalc.Event{Seq: uint64(i + 1), AtNs: atNs, Kind: fillcalc.KindWeight + fillcalc.Kind(i%2), Sensor: texts[i%len(texts)],
			N: rng.Uint64(), Value: f, Stability: fillcalc.Stability(i % 3), Faults: fillcalc.Faults(i)}
		if i%7 == 0 {
			e = fillcalc.Event{Seq: e.Seq, AtNs: e.AtNs, Kind: fillcalc.KindInput, Input: &fillcalc.Input{
				Do: fillcalc.DoOpen, ID: "id", By: texts[i%5], Why: texts[(i+1)%3], Change: i, As: fillcalc.AsContainer, Phase: fillcalc.Filling,
				Setup: &fillcalc.Setup{ReferenceC: f, Scales: []fillcalc.ScaleSetup{{Sensor: "s", Load: fillcalc.BothLoad, GainU: -f}}},
				Job:   &fillcalc.JobSpec{ID: "j", LowC: f, Used: fillcalc.Fluid{Name: texts[4], Points: []fillcalc.DensityPoint{{C: f, KgM3: math.Copysign(0, -1)}}}},
			}}
		}
		want = append(want, e)
	}
	for part := range slices.Chunk(want, 300) {
		journaltest.Append(t, j, journal.Batch{Events: part})
	}
	for _, when := range []string{"at once", "after closing"} {
		var got []fillcalc.Event
		for after := uint64(0); ; after = got[len(got)-1].Seq {
			page, err := j.Events(t.Context(), after, 170)
			if err != nil {
				t.Fatal(err)
			}
			if len(page) == 0 {
				break
			}
			got = append(got, page...)
		}
		if len(got) != len(want) {
			t.Fatalf("%s: %d events of %d", when, len(got), len(want))
		}
		for i := range want {
			// JSON distinguishes minus zero from zero and every float from the next one.
			a, _ := json.Marshal(got[i])
			b, _ := json.Marshal(want[i])
			if !bytes.Equal(a, b) || math.Float64bits(got[i].Value) != math.Float64bits(want[i].Value) {
				t.Fatalf("%s: event %d is %s, was %s", when, i+1, a, b)
			}
		}
		j.Close()
		j = journaltest.Open(t, path)
	}
}

// Published fields, answers and marks are kept together with their events.
func TestJournalKeepsPublishedAndAnswers(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.journal")
	j := journaltest.Open(t, path)
	sum := wire.Fingerprint([]byte(`{"id":"one","do":"close"}`))
	journaltest.Append(t, j, journal.Batch{
		Events:    bridgetest.Weights(1, 5),
		Published: []points.Published{{Seq: 2, Measurement: points.VolumeMeasurement, Fields: `a="1"`}, {Seq: 2, Measurement: points.WindowMeasurement, Fields: "b=2"}, {Seq: 4, Measurement: points.VolumeMeasurement, Fields: "c=3"}},
		Answers:   []journal.Answer{{ID: "one", AtNs: 2e9, Command: sum, Reply: []byte(`{"id":"one","ok":true}`)}},
	})
	journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(6, 1), Answers: []journal.Answer{{ID: "ONE", AtNs: 6e9, Reply: []byte(`{}`)}}})
	if err := j.SetSent(t.Context(), 3, false, []journal.Refused{{Line: "line 1", Reason: "reason 1"}, {Line: "line 2", Reason: "reason 2"}}); err != nil {
		t.Fatal(err)
	}
	// A command is answered once: a batch that repeats its id is refused as a whole.
	if err := j.Append(t.Context(), journal.Batch{Events: bridgetest.Weights(7, 1), Answers: []journal.Answer{{ID: "one", Reply: []byte("{}")}}}); err == nil {
		t.Error("an answer was given twice")
	}
	for range 2 {
		j.Close()
		j = journaltest.Open(t, path)
		for id, want := range map[string]string{"one": `{"id":"one","ok":true}`, "ONE": `{}`, "two": ""} {
			a, done, err := j.Answered(id)
			if err != nil || done != (want != "") || string(a.Reply) != want {
				t.Errorf("%s was answered %q, %v, %v; want %q", id, a.Reply, done, err, want)
			}
			if id == "one" && (a.ID != id || a.AtNs != 2e9 || a.Command != sum) {
				t.Errorf("the answer came back as %+v", a)
			}
		}
		got, err := j.PublishedBetween(t.Context(), 1, 4)
		if want := []points.Published{{Seq: 2, Measurement: points.VolumeMeasurement, Fields: `a="1"`}, {Seq: 2, Measurement: points.WindowMeasurement, Fields: "b=2"}, {Seq: 4, Measurement: points.VolumeMeasurement, Fields: "c=3"}}; err != nil || !slices.Equal(got, want) {
			t.Errorf("published: %v, %v", got, err)
		}
		if got, err := j.PublishedBetween(t.Context(), 2, 3); err != nil || len(got) != 0 {
			t.Errorf("published after 2 up to 3: %v, %v", got, err)
		}
		if sent, _, err := j.Sent(); err != nil || sent != 3 {
			t.Errorf("sent up to %d, %v", sent, err)
		}
		if got, err := j.DeadLetters(t.Context()); err != nil || !slices.Equal(got, []journal.Refused{{Line: "line 1", Reason: "reason 1"}, {Line: "line 2", Reason: "reason 2"}}) {
			t.Errorf("dead letters: %v, %v", got, err)
		}
		if events, err := j.Events(t.Context(), 0, 100); err != nil || len(events) != 6 {
			t.Errorf("%d events, %v", len(events), err)
		}
	}
}

// A missing event is an error that says so: a tally from the rest would be wrong.
func TestGapInTheJournal(t *testing.T) {
	for _, c := range []struct{ missing, says string }{
		{"seq = 1", "event 2 follows 0: events are missing"},
		{"seq = 40", "event 41 follows 39: events are missing"},
		{"seq BETWEEN 40 AND 60", "event 61 follows 39: events are missing"},
	} {
		j := journaltest.Open(t, filepath.Join(t.TempDir(), "a.journal"))
		journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 100)})
		if _, err := j.DB.Exec("DELETE FROM event WHERE " + c.missing); err != nil {
			t.Fatal(err)
		}
		if _, _, err := j.Replay(t.Context()); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("without %s: %v, want %q", c.missing, err, c.says)
		}
	}
}

// A journal of another format, and a file that is no journal, are refused and not
// changed.
func TestForeignJournal(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, filepath.Join(dir, "newer.journal"))
	journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 3)})
	if _, err := j.DB.Exec("PRAGMA user_version = 2"); err != nil {
		t.Fatal(err)
	}
	j.Close()
	if err := os.WriteFile(filepath.Join(dir, "text.journal"), bytes.Repeat([]byte("no journal\n"), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, says := range map[string]string{"newer.journal": "it has format 2, but this version of the program reads format 1 only: use the version that wrote it", "text.journal": "not a database"} {
		path := filepath.Join(dir, name)
		before, _ := os.ReadFile(path)
		_, err := journal.Open(path)
		if err == nil || !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v, want %q and the file's name", name, err, says)
		}
		if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
			t.Errorf("%s was changed", name)
		}
	}
}

// Prune deletes only events that are old, in the snapshot and, with a history, sent.
func TestPruneKeepsWhatIsNeeded(t *testing.T) {
	for _, c := range []struct {
		name             string
		snapshot, sent   uint64
		history          bool
		olderThan        time.Duration
		first            uint64 // that is kept
		answerA, answerB bool   // of events 10 and 60
	}{
		{"all needed", 0, 0, true, 1000 * time.Second, 1, true, true},
		{"not in the snapshot", 20, 80, true, 1000 * time.Second, 21, false, false},
		{"not sent", 80, 20, true, 1000 * time.Second, 21, false, false},
		{"no history", 80, 20, false, 1000 * time.Second, 81, false, false},
		{"not old", 80, 80, true, 50 * time.Second, 50, false, true},
		{"nothing old", 80, 80, true, 0, 1, true, true},
		{"everything", 100, 100, true, 1000 * time.Second, 101, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := journaltest.Open(t, filepath.Join(t.TempDir(), "a.journal"))
			b := journal.Batch{Events: bridgetest.Weights(1, 100), Answers: []journal.Answer{{ID: "a", AtNs: 10e9, Reply: []byte("{}")}, {ID: "b", AtNs: 60e9, Reply: []byte("{}")}}}
			for _, e := range b.Events {
				b.Published = append(b.Published, points.Published{Seq: e.Seq, Measurement: points.VolumeMeasurement, Fields: "x=1"})
			}
			journaltest.Append(t, j, b)
			if err := j.SetSent(t.Context(), c.sent, false, nil); err != nil {
				t.Fatal(err)
			}
			if _, err := j.Prune(t.Context(), time.Unix(0, int64(c.olderThan)), c.snapshot, c.history); err != nil {
				t.Fatal(err)
			}
			events, err := j.Events(t.Context(), 0, 1000)
			if err != nil {
				t.Fatal(err)
			}
			published, err := j.PublishedBetween(t.Context(), 0, 1000)
			if err != nil {
				t.Fatal(err)
			}
			if want := int(101 - c.first); len(events) != want || len(published) != want || want > 0 && (events[0].Seq != c.first || published[0].Seq != c.first) {
				t.Errorf("%d events and %d published are kept, want %d from %d on", len(events), len(published), want, c.first)
			}
			for id, want := range map[string]bool{"a": c.answerA, "b": c.answerB} {
				if _, done, err := j.Answered(id); err != nil || done != want {
					t.Errorf("answer %s is kept: %v (%v), want %v", id, done, err, want)
				}
			}
		})
	}
}

// On a read-only disk Open fails with an error that says so, and a closed journal can
// still be read: an auditor may get it on such a medium.
func TestReadOnlyJournal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	mounted := syscall.Mount("bayfill-test", dir, "tmpfs", 0, "size=4m") == nil
	path := filepath.Join(dir, "a.journal")
	j := journaltest.Open(t, path)
	journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 500)})
	alive := bridgetest.ReadFile(t, path+"-wal")
	j.Close()
	killed := filepath.Join(dir, "killed.journal")
	if err := errors.Join(os.WriteFile(killed, bridgetest.ReadFile(t, path), 0o600), os.WriteFile(killed+"-wal", alive, 0o600)); err != nil {
		t.Fatal(err)
	}
	says := "has no right"
	if mounted {
		says = "the disk is read-only"
		t.Cleanup(func() { syscall.Unmount(dir, 0) })
		if err := syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
			t.Fatal(err)
		}
	} else if os.Geteuid() != 0 { // permissions bind
		t.Cleanup(func() { os.Chmod(dir, 0o700) })
		if err := errors.Join(os.Remove(path+".lock"), os.Chmod(path, 0o400), os.Chmod(dir, 0o500)); err != nil {
			t.Fatal(err)
		}
	}
	if mounted || os.Geteuid() != 0 {
		if _, err := journal.Open(path); err == nil || !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), path) {
			t.Errorf("opened where nothing can be written: %v", err)
		}
		// Its last commits are in a log that cannot be copied into the file here.
		if r, err := journal.OpenReadOnly(killed); err == nil {
			events, _ := r.Events(t.Context(), 0, 1000)
			r.Close()
			if len(events) != 500 {
				t.Errorf("%d events of a journal with a log, and no error", len(events))
			}
		}
	}
	r, err := journal.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if events, err := r.Events(t.Context(), 0, 1000); err != nil || len(events) != 500 {
		t.Errorf("%d events, %v", len(events), err)
	}
	// A folder in the journal's place can be neither read nor written by any user.
	if _, err := journal.Open(t.TempDir()); err == nil || !strings.Contains(err.Error(), "unable to open database file") {
		t.Errorf("opened a folder: %v", err)
	}
	t.Logf("mounted: %v", mounted)
}

// The history's mark reaches the disk with the next batch, and at the latest with Close;
// whoever holds the journal reads it at once.
func TestSentIsKeptWithTheNextBatch(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.journal")
	j := journaltest.Open(t, path)
	onDisk := func() uint64 {
		t.Helper()
		r, err := journal.OpenReadOnly(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		seq, _, err := r.Sent()
		if err != nil {
			t.Fatal(err)
		}
		return seq
	}
	append1 := func(seq uint64) {
		t.Helper()
		journaltest.Append(t, j, journal.Batch{Events: []fillcalc.Event{{Seq: seq, AtNs: int64(seq), Kind: fillcalc.KindWeight, Sensor: "s"}}})
	}
	want := func(when string, memory, disk uint64) {
		t.Helper()
		if now, _, err := j.Sent(); now != memory || err != nil || onDisk() != disk {
			t.Errorf("%s: %d (%v), on disk %d; want %d, %d", when, now, err, onDisk(), memory, disk)
		}
	}
	set := func(seq uint64, refused ...journal.Refused) {
		t.Helper()
		if err := j.SetSent(t.Context(), seq, false, refused); err != nil {
			t.Fatal(err)
		}
	}
	append1(1)
	want("at first", 0, 0)
	set(1)
	want("set", 1, 0)
	append1(2)
	want("with the next batch", 1, 1)
	set(2, journal.Refused{Line: "line", Reason: "reason"})
	want("with a refused line", 2, 2)
	append1(3)
	set(3)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if disk := onDisk(); disk != 3 {
		t.Errorf("after Close: %d", disk)
	}
	j = journaltest.Open(t, path)
	want("opened again", 3, 3)
}
