package audit_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

// Whatever page of a journal is damaged, a job of which all can be read is audited
// as before, and what is said of another names the damage.
func TestAuditBesideDamagedPages(t *testing.T) {
	bridgetest.Slow(t)
	config := audittest.HistoryConfig(t, "http://127.0.0.1:1", "cart")
	d := audittest.ShortJobs(t)
	names := []string{"a", "b", "c"}
	journaltest.KeepJobs(t, config, names, study.Events(d, 7, 1), study.Events(d, 7, 2), study.Events(d, 7, 3))
	path := config.JournalPath("cart")
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	good := map[string]*audit.Record{}
	for _, job := range names {
		if good[job], err = audit.FromJournal(t.Context(), path, "test", "cart", job, 0); err != nil {
			t.Fatal(err)
		}
	}
	// readable reports whether all that a job is made of can be read.
	readable := func(j *journal.Journal, job *audit.Record) bool {
		from, to := uint64(job.Summary.Fields["seq_from"].(int64)), uint64(job.Summary.Fields["seq"].(int64))
		var events []fillcalc.Event
		for after := from - 1; after < to; after = events[len(events)-1].Seq {
			some, err := j.Events(t.Context(), after, int(to-after))
			if err != nil || len(some) == 0 {
				return false
			}
			events = append(events, some...)
		}
		_, err := j.PublishedBetween(t.Context(), from-1, to)
		return err == nil
	}
	const page = 4096
	spoiltConfig := audittest.HistoryConfig(t, "http://127.0.0.1:1", "cart")
	spoilt := spoiltConfig.JournalPath("cart")
	audited, beside, failed := 0, 0, 0
	pages := len(whole) / page
	tried := 0
	for at := 1; at < pages; at += 1 + at/2 { // the first ones hold the tree together
		tried++
		text := slices.Clone(whole)
		if clear(text[at*page:][:page]); at%2 == 0 {
			copy(text[at*page:][:page], strings.Repeat("a page of something else ", page))
		}
		if err := os.WriteFile(spoilt, text, 0o600); err != nil {
			t.Fatal(err)
		}
		j, err := journal.OpenReadOnly(spoilt)
		if err != nil {
			continue // where all else is written
		}
		bad := 0
		for _, job := range names {
			record, err := audit.FromJournal(t.Context(), spoilt, "test", "cart", job, 0)
			if !readable(j, good[job]) {
				if bad++; err == nil || !strings.Contains(err.Error(), "damaged") || !strings.Contains(err.Error(), job) {
					t.Errorf("page %d: job %s: %v", at, job, err)
				}
				continue
			}
			if err != nil {
				t.Errorf("page %d: job %s can be read: %v", at, job, err)
				continue
			}
			if report := audit.Check(record, audittest.Trust(t, config)); !report.SameAndComplete() {
				t.Errorf("page %d: job %s: %+v", at, job, report.Findings)
			}
			audited++
			// Of the last jobs, too, the snapshot at the journal's end is.
			state, err := journal.JobState(t.Context(), spoiltConfig.JournalPath("cart"), job)
			if err != nil || state.Job.Spec.ID != job || state.Seq != uint64(good[job].Summary.Fields["seq"].(int64)) {
				t.Errorf("page %d: state of job %s at event %d: %v", at, state.Job.Spec.ID, state.Seq, err)
			}
		}
		j.Close()
		switch bad {
		case 1, 2:
			beside++
		case 3:
			failed++
		}
	}
	t.Logf("%d of %d pages: %d times some jobs only were hit, %d times all; %d audits", tried, pages, beside, failed, audited)
	if beside < tried/2 || failed > tried/4 {
		t.Errorf("this tests nothing")
	}
}

// What opens a job is found on both sides of a damaged place, and what is lost is
// told with its numbers.
func TestOpenedAroundDamage(t *testing.T) {
	fluid := fillcalc.Fluid{Name: "a", Model: fillcalc.Oil2004, DensityKgM3: 850, AtC: 15}
	path := filepath.Join(t.TempDir(), "a.journal")
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	const events, every, page = 20_000, 100, 4096
	var b journal.Batch
	for seq := uint64(1); seq <= events; seq++ {
		e := fillcalc.Event{Seq: seq, AtNs: int64(seq), Kind: fillcalc.KindWeight, Sensor: "caddy", Value: float64(seq)}
		if seq%every == 1 {
			e = fillcalc.Event{Seq: seq, AtNs: int64(seq), Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoOpen, Job: &fillcalc.JobSpec{ID: fmt.Sprint("job-", seq), Used: fluid, Fresh: fluid}}}
		}
		b.Events = append(b.Events, e)
	}
	if err := j.Append(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	j.Close()
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	pages := len(whole) / page
	check := func(what string, spoil ...int) journal.Lost {
		t.Helper()
		text := slices.Clone(whole)
		for _, at := range spoil {
			clear(text[at*page:][:page])
		}
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		j, err := journal.OpenReadOnly(path)
		if err != nil {
			t.Fatal(err)
		}
		defer j.Close()
		list, lost, err := j.Opened(t.Context())
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		for seq := uint64(1); seq <= events; seq += every {
			there := slices.ContainsFunc(list, func(o journal.JobOpening) bool {
				return o == journal.JobOpening{ID: fmt.Sprint("job-", seq), Seq: seq, AtNs: int64(seq)}
			})
			hidden := slices.ContainsFunc(lost, func(part [2]uint64) bool { return part[0] <= seq && seq <= part[1] })
			if there == hidden {
				t.Fatalf("%s: job-%d is found: %v, lost are %v", what, seq, there, lost)
			}
		}
		return lost
	}
	if lost := check("whole"); lost != nil || lost.Note(nil) != nil {
		t.Errorf("of a whole file %v is lost", lost)
	}
	var most uint64
	for _, at := range []int{pages - 1, pages - 2, pages / 2, pages/2 + 1, pages / 3, 20, 21} {
		lost := check(fmt.Sprint("page ", at), at)
		for _, part := range lost {
			if part[1] <= events {
				most = max(most, part[1]-part[0]+1)
			}
		}
	}
	if most < 10 || most > 300 {
		t.Errorf("a page holds %d events", most)
	}
	lost := check("three pages", pages/3, pages/2, pages*2/3)
	if len(lost) != 3 || strings.Count(lost.Note(journal.ErrGone).Error(), "–") != 3 {
		t.Errorf("three pages: %v", lost)
	}
}
