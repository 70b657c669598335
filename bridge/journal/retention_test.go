package journal_test

import (
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// pattern makes events from letters: r is a reading, t a tick, s a start, o opens a job,
// p changes its phase, c closes it, a abandons it.
func pattern(letters string, first uint64) (events []fillcalc.Event) {
	does := map[rune]fillcalc.Do{'t': fillcalc.DoTick, 's': fillcalc.DoStart, 'o': fillcalc.DoOpen, 'p': fillcalc.DoPhase, 'c': fillcalc.DoClose, 'a': fillcalc.DoAbandon}
	for i, letter := range letters {
		e := bridgetest.Weights(first+uint64(i), 1)[0]
		if letter != 'r' {
			e = fillcalc.Event{Seq: e.Seq, AtNs: e.AtNs, Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: does[letter]}}
		}
		events = append(events, e)
	}
	return events
}

// Retain deletes readings and ticks outside jobs that the snapshot covers, with what was
// published after them, and nothing else. It counts those that no history has.
func TestRetain(t *testing.T) {
	for _, c := range []struct {
		name, events   string
		first          uint64
		snapshot, sent uint64
		left           string // a dot for each deleted event
		lost           int64
		from, to       int64 // s
	}{
		{"before, between and after jobs", "srrtorpprcrrrorarrs", 1, 19, 0, "s...orpprc...ora..s", 7, 2, 18},
		{"an open job", "srrorrtrr", 1, 9, 0, "s..orrtrr", 2, 2, 3},
		{"only what the snapshot covers", "srrrrrorrcrr", 1, 4, 0, "s...rrorrcrr", 3, 2, 4},
		{"no snapshot", "srrr", 1, 0, 0, "srrr", 0, 0, 0},
		{"the history has some", "srrrorrcrrrr", 1, 12, 9, "s...orrc....", 3, 10, 12},
		{"the history has all", "srrrorrcrrrr", 1, 12, 12, "s...orrc....", 0, 0, 0},
		{"the beginning was pruned in a job", "rrtrcrrorr", 5, 14, 0, "rrtrc..orr", 2, 10, 11},
		{"the beginning was pruned outside a job", "rrrorrcrr", 5, 13, 0, "rrrorrc..", 2, 12, 13}, // which the journal cannot know
		{"no readings", "stttotttcttt", 1, 12, 0, "s...otttc...", 0, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := journaltest.Open(t, bridgetest.MemoryDir(t)+"/a.journal")
			b := journal.Batch{Events: pattern(c.events, c.first)}
			for _, e := range b.Events {
				b.Published = append(b.Published, points.Published{Seq: e.Seq, Measurement: points.VolumeMeasurement, Fields: "x=1"})
			}
			journaltest.Append(t, j, b)
			if err := j.SetSent(t.Context(), c.sent, false, nil); err != nil {
				t.Fatal(err)
			}
			const nowNs = 5000e9
			r, err := j.Retain(t.Context(), 0, c.snapshot, nowNs, time.Hour)
			if err != nil {
				t.Fatal(err)
			}
			left, published := []byte(strings.Repeat(".", len(c.events))), []byte(strings.Repeat(".", len(c.events)))
			events, err := j.Events(t.Context(), 0, 1000)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range events {
				left[e.Seq-c.first] = c.events[e.Seq-c.first]
			}
			points, err := j.PublishedBetween(t.Context(), 0, 1000)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range points {
				published[p.Seq-c.first] = c.events[p.Seq-c.first]
			}
			if string(left) != c.left || string(published) != c.left {
				t.Errorf("left are %s, published %s; want %s", left, published, c.left)
			}
			g := journal.GivenUp{Readings: c.lost, FromNs: c.from * 1e9, ToNs: c.to * 1e9, LastNs: nowNs}
			if c.lost == 0 {
				g = journal.GivenUp{}
			}
			if kept, err := j.GivenUp(); r.Lost != c.lost || r.GivenUp != g || kept != g || err != nil {
				t.Errorf("%d given up, %+v, kept is %+v (%v); want %+v", r.Lost, r.GivenUp, kept, err, g)
			}
			if r.More || !r.JobsOnly {
				t.Errorf("more %v, only jobs %v", r.More, r.JobsOnly)
			}
		})
	}
}

// Retain deletes in pieces, across jobs and with Prune in between. It starts counting
// again when the last piece is long ago.
func TestRetainInPieces(t *testing.T) {
	j := journaltest.Open(t, bridgetest.MemoryDir(t)+"/a.journal")
	const rest, job, keep = 3*journal.PieceEvents + 10, journal.PieceEvents + 7, time.Hour
	letters := "s" + strings.Repeat("r", rest-1) + "o" + strings.Repeat("r", job-2) + "c" + strings.Repeat("r", rest)
	journaltest.Append(t, j, journal.Batch{Events: pattern(letters, 1)})
	newest := uint64(len(letters))
	all, err := j.Used()
	if err != nil {
		t.Fatal(err)
	}
	retain := func(maxBytes int64, nowNs int64) journal.Usage {
		t.Helper()
		before := journaltest.EventCount(t, j)
		r, err := j.Retain(t.Context(), maxBytes, newest, nowNs, keep)
		if gone := before - journaltest.EventCount(t, j); err != nil || gone > journal.PieceEvents || int64(gone) != r.Lost {
			t.Fatalf("%d events of one piece went, %+v, %v", gone, r, err)
		}
		return r
	}
	if r := retain(all, 1); r.Lost != 0 || r.More || r.Waiting != all {
		t.Errorf("within the limit: %+v", r)
	}
	if r := retain(all-50_000, 1); r.Lost != journal.PieceEvents-1 || r.More || r.JobsOnly {
		t.Errorf("a little beyond it: %+v", r)
	}
	total := int64(journal.PieceEvents - 1)
	for n := 0; ; n++ {
		r := retain(0, 1)
		total += r.Lost
		if r.GivenUp.Readings != total {
			t.Fatalf("%d were given up, the count is %+v", total, r.GivenUp)
		}
		if n == 4 {
			// Prune deletes the first half of the job; Retain keeps the other half.
			if err := j.SetSent(t.Context(), rest+job/2, false, nil); err != nil {
				t.Fatal(err)
			}
			for more := true; more; {
				if more, err = j.Prune(t.Context(), time.Unix(0, 1e18), newest, true); err != nil {
					t.Fatal(err)
				}
			}
		}
		if !r.More {
			break
		}
	}
	if want := int64(2*rest - 1); total != want || journaltest.EventCount(t, j) != job-job/2 {
		t.Errorf("%d given up of %d, %d of the job left", total, want, journaltest.EventCount(t, j))
	}
	journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(newest+1, 5)})
	newest += 5
	if r := retain(0, 1+int64(keep)+1); r.GivenUp.Readings != 5 || r.GivenUp.FromNs != int64(newest-4)*1e9 {
		t.Errorf("long after it: %+v", r.GivenUp)
	}
}

// Closing records stay when the events of their job are deleted, with their time.
func TestClosingRecordsAreKept(t *testing.T) {
	j := journaltest.Open(t, bridgetest.MemoryDir(t)+"/a.journal")
	b := journal.Batch{Events: pattern("sorrcrrorrcrr", 1)}
	b.Published = []points.Published{
		{Seq: 3, Measurement: points.VolumeMeasurement, Fields: "x=1"},
		{Seq: 5, Measurement: points.JobMeasurement, Fields: `job="one",ended_ns=5000000000i`},
		{Seq: 11, Measurement: points.JobMeasurement, Fields: `job="two",ended_ns=11000000000i`},
	}
	journaltest.Append(t, j, b)
	if _, err := j.Prune(t.Context(), time.Unix(0, 1e18), 13, false); err != nil {
		t.Fatal(err)
	}
	if n := journaltest.EventCount(t, j); n != 0 {
		t.Fatalf("%d events are left", n)
	}
	list, err := j.Closings(t.Context())
	if err != nil || len(list) != 2 || list[0].Fields["job"] != "one" || list[0].AtNs != 5e9 || list[1].Fields["job"] != "two" {
		t.Errorf("%+v, %v", list, err)
	}
	var plan string
	if err := j.DB.QueryRow("EXPLAIN QUERY PLAN SELECT seq FROM published WHERE measurement = 'bayfill_job' ORDER BY seq").Scan(new(int), new(int), new(int), &plan); err != nil || !strings.Contains(plan, "closing") {
		t.Errorf("they are searched for by %q, %v", plan, err)
	}
}
