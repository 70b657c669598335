package audit_test

import (
	"bytes"
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/history"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

// A history is filled from a journal, whatever is in it already; what is exported
// fills another one; jobs are kept in a bucket of their own. Each time the audit
// finds the jobs the same and complete, and no point is there twice.
func TestHistoryFilledExportedKept(t *testing.T) {
	server := bridgetest.StartInflux(t)
	for _, name := range []string{"second", "third"} {
		server.QL("CREATE DATABASE " + name)
	}
	config := audittest.HistoryConfig(t, server.URL, "cart")
	names := []string{"job-1", "job-2"}
	var jobs [][]fillcalc.Event
	for i := range names {
		jobs = append(jobs, study.Events(audittest.ShortJobs(t), 3, i+1))
	}
	journaltest.KeepJobs(t, config, names, jobs...)
	journal := config.JournalPath("cart")

	in := func(bucket string) *audit.Store {
		h := config.History
		h.Bucket = bucket
		store, err := audit.OpenStore(h)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(store.Close)
		return store
	}
	first, second, third := in("bayfill/autogen"), in("second/autogen"), in("third/autogen")
	list := func(s *audit.Store) int {
		n := 0
		for _, job := range names {
			r, err := s.Record(t.Context(), job, 0)
			if err != nil {
				t.Fatal(err)
			}
			if report := audit.Check(r, audittest.Trust(t, config)); !report.SameAndComplete() {
				t.Fatalf("%s: %+v", job, report.Findings)
			}
			n += len(r.Points)
		}
		return n
	}

	// Empty, then full, then with holes.
	fill := func() history.Filled {
		told := 0
		done, err := history.Fill(t.Context(), config.History, "test", "cart", journal, func(f history.Filled) {
			if told++; f.Events > f.Of {
				t.Errorf("%d of %d events", f.Events, f.Of)
			}
		})
		if err != nil || told == 0 || done.Events != done.Of || len(done.Refused) > 0 {
			t.Fatalf("%+v, %v, told %d times", done, err, told)
		}
		return done
	}
	done := fill()
	n := list(first)
	if again := fill(); again.Points != done.Points || list(first) != n {
		t.Errorf("%d points in the jobs, again %d", n, list(first))
	}
	r, err := first.Record(t.Context(), "job-1", 0)
	if err != nil {
		t.Fatal(err)
	}
	from, to := int64(math.MaxInt64), int64(0)
	for _, p := range r.Points {
		from, to = min(from, p.AtNs), max(to, p.AtNs)
	}
	for _, m := range []string{reading, volume} {
		server.QL("DELETE FROM " + m + " WHERE time > " + strconv.FormatInt(from+(to-from)/3, 10) + " AND time < " + strconv.FormatInt(to, 10))
	}
	if r, err = first.Record(t.Context(), "job-1", 0); err != nil || audit.Check(r, audittest.Trust(t, config)).Complete {
		t.Fatalf("the hole is not seen, %v", err)
	}
	fill()
	if list(first) != n {
		t.Errorf("%d points in the jobs, with the hole filled %d", n, list(first))
	}

	// Out as lines, and into another one. As a table, with as many fields.
	var lines, table bytes.Buffer
	told := 0
	export := func(format audit.Format, out *bytes.Buffer) {
		t.Helper()
		err := first.Export(t.Context(), "test", "", from-int64(1e12), to+int64(1e13), format, out, func(int64, int) { told++ })
		if err != nil {
			t.Fatal(err)
		}
	}
	export(audit.LineProtocol, &lines)
	export(audit.CSV, &table)
	all := strings.Split(strings.TrimSpace(lines.String()), "\n")
	if len(all) != done.Points || told < 2 {
		t.Errorf("%d lines of %d points, told %d times", len(all), done.Points, told)
	}
	server.WriteTo("second/autogen", all...)
	if list(second) != n {
		t.Errorf("%d points in the jobs, after export %d", n, list(second))
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	fields := 0
	for _, line := range all {
		f, err := points.ParseFields(line[strings.Index(line, " ")+1 : strings.LastIndex(line, " ")])
		if err != nil {
			t.Fatal(err)
		}
		fields += len(f)
	}
	if len(rows) != fields+1 {
		t.Errorf("%d rows for %d fields", len(rows), fields)
	}

	// The second one by itself, once more.
	for range 2 {
		kept := 0
		last, err := first.Summaries(t.Context(), 0, math.MaxInt64, "job-2")
		if err != nil || len(last) != 1 {
			t.Fatalf("%+v, %v", last, err)
		}
		if err := first.Keep(t.Context(), third, last[0].EndsNs, last[0].EndsNs+1, func(done, of int) { kept = 100*of + done }); err != nil || kept != 101 {
			t.Fatalf("kept %d, %v", kept, err)
		}
	}
	r, err = third.Record(t.Context(), "job-2", 0)
	if err != nil || !audit.Check(r, audittest.Trust(t, config)).SameAndComplete() {
		t.Errorf("kept: %v", err)
	}
	if _, err = third.Record(t.Context(), "job-1", 0); err == nil {
		t.Error("a job was kept that nobody asked for")
	}
}
