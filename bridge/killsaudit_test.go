package bridge_test

import (
	"flag"
	"maps"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge"
	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

// Three hundred take about nine minutes:
//
//	go test ./bridge -run TestKilledAtRandom -v -timeout 60m -kills 300
var killsWanted = flag.Int("kills", 6, "how many times TestKilledAtRandom kills the bridge")

// The bridge is killed at random moments of whole jobs and goes on. Tally and commands are
// right (see PlayKilledJobs), the history holds exactly what the journal holds, and every job
// passes its audit.
func TestKilledAtRandom(t *testing.T) {
	played := bridge.PlayKilledJobs(t, *killsWanted)
	audittest.Forward(t, played.Config, "cart")
	store, err := audit.OpenStore(played.Config.History)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	audittest.Provable(t, store, played.Config.JournalPath("cart"), "cart", played.Jobs, 100, 10)
	want, fromNs, toNs := journalLines(t, played.Config.JournalPath("cart"))
	var out strings.Builder
	if err := store.Export(t.Context(), "test", "cart", fromNs, toNs+1, audit.LineProtocol, &out, func(int64, int) {}); err != nil {
		t.Fatal(err)
	}
	got := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
	slices.Sort(got)
	slices.Sort(want)
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || got[i] != want[i] {
			t.Fatalf("the history holds %d points, the journal %d; in order of their lines they differ from place %d on:\n%s\n%s",
				len(got), len(want), i, strings.Join(got[i:min(i+1, len(got))], ""), strings.Join(want[i:min(i+1, len(want))], ""))
		}
	}
	t.Logf("%d points are the same in journal and history", len(want))
}

// journalLines returns all points of a journal as lines, and the times of the first and the
// last one.
func journalLines(t *testing.T, path string) (lines []string, fromNs, toNs int64) {
	t.Helper()
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	events, err := j.Events(t.Context(), 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	names, err := j.Names(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	atNs := map[uint64]int64{}
	for i := range events {
		p, err := points.Of(&events[i], names)
		if err != nil {
			t.Fatal(err)
		}
		atNs[events[i].Seq] = p.AtNs
		lines = append(lines, p.Line("test", "cart"))
	}
	last := events[len(events)-1]
	published, err := j.PublishedBetween(t.Context(), 0, last.Seq)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range published {
		fields, err := points.ParseFields(p.Fields)
		if err != nil {
			t.Fatal(err)
		}
		// The query language does not distinguish an empty text from a missing one.
		maps.DeleteFunc(fields, func(_ string, v any) bool { return v == "" })
		point := points.Point{Measurement: p.Measurement, AtNs: atNs[p.Seq], Fields: fields}
		lines = append(lines, point.Line("test", "cart"))
	}
	return lines, events[0].AtNs, last.AtNs
}

// A reading that arrives a nanosecond after the job's end does not belong to the job.
func TestReadingAfterAJobIsNotPartOfIt(t *testing.T) {
	server := bridgetest.StartInflux(t)
	config := audittest.HistoryConfig(t, server.URL, "cart")
	journaltest.KeepJobs(t, config, []string{"job"}, study.Events(audittest.ShortJobs(t), 7, 1))
	audittest.Forward(t, config, "cart")
	store, err := audit.OpenStore(config.History)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	check := func(when string) *audit.Record {
		t.Helper()
		record, err := store.Record(t.Context(), "job", 0)
		if err != nil {
			t.Fatal(err)
		}
		if report := audit.Check(record, audittest.Trust(t, config)); !report.SameAndComplete() {
			t.Errorf("%s: %+v", when, report.Findings)
		}
		return record
	}
	end := check("before").Summary
	seq, err := end.Seq()
	if err != nil {
		t.Fatal(err)
	}
	late, err := points.Of(&fillcalc.Event{Seq: seq + 1, AtNs: end.AtNs + 1, Kind: fillcalc.KindWeight, Sensor: "caddy", N: 1, Value: 3}, nil)
	if err != nil {
		t.Fatal(err)
	}
	server.Write(late.Line("test", "cart"))
	check("with a reading after the end")
}
