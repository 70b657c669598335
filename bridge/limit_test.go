package bridge

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/fillcalc"
)

// pattern are events by letters: r a reading, t a tick, s a start, o the opening of
// a job, p a phase of it, c its end, a its end too.
func pattern(letters string, first uint64) (events []fillcalc.Event) {
	does := map[rune]fillcalc.Do{'t': fillcalc.DoTick, 's': fillcalc.DoStart, 'o': fillcalc.DoOpen, 'p': fillcalc.DoPhase, 'c': fillcalc.DoClose, 'a': fillcalc.DoAbandon}
	for i, letter := range letters {
		e := weights(first+uint64(i), 1)[0]
		if letter != 'r' {
			e = fillcalc.Event{Seq: e.Seq, AtNs: e.AtNs, Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: does[letter]}}
		}
		events = append(events, e)
	}
	return events
}

// What goes at the limit: readings and ticks outside of jobs that the snapshot
// covers, with what was published after them, and nothing else; lost is what no
// history has taken.
func TestThin(t *testing.T) {
	for _, c := range []struct {
		name, events   string
		first          uint64
		snapshot, sent uint64
		left           string // a dot for each that is gone
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
		{"the beginning was pruned outside of one", "rrrorrcrr", 5, 13, 0, "rrrorrc..", 2, 12, 13}, // who knows
		{"no readings", "stttotttcttt", 1, 12, 0, "s...otttc...", 0, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := openTestJournal(t, memoryDir(t)+"/a.journal")
			b := Batch{Events: pattern(c.events, c.first)}
			for _, e := range b.Events {
				b.Published = append(b.Published, Published{e.Seq, volumeMeasurement, "x=1"})
			}
			mustAppend(t, j, b)
			if err := j.SetSent(t.Context(), c.sent, nil); err != nil {
				t.Fatal(err)
			}
			const nowNs = 5000e9
			r, err := j.thin(t.Context(), 0, c.snapshot, nowNs, time.Hour)
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
			g := givenUp{Readings: c.lost, FromNs: c.from * 1e9, ToNs: c.to * 1e9, LastNs: nowNs}
			if c.lost == 0 {
				g = givenUp{}
			}
			if kept, err := j.givenUp(); r.lost != c.lost || r.givenUp != g || kept != g || err != nil {
				t.Errorf("%d given up, %+v, kept is %+v (%v); want %+v", r.lost, r.givenUp, kept, err, g)
			}
			if r.more || !r.jobsOnly {
				t.Errorf("more %v, only jobs %v", r.more, r.jobsOnly)
			}
		})
	}
}

// It goes in pieces, across jobs, and with pruning between; what went long after
// the last time is counted anew.
func TestThinInPieces(t *testing.T) {
	j := openTestJournal(t, memoryDir(t)+"/a.journal")
	const rest, job, keep = 3*pieceEvents + 10, pieceEvents + 7, time.Hour
	letters := "s" + strings.Repeat("r", rest-1) + "o" + strings.Repeat("r", job-2) + "c" + strings.Repeat("r", rest)
	mustAppend(t, j, Batch{Events: pattern(letters, 1)})
	newest := uint64(len(letters))
	all, err := j.used()
	if err != nil {
		t.Fatal(err)
	}
	thin := func(most int64, nowNs int64) room {
		t.Helper()
		before := j.eventCount(t)
		r, err := j.thin(t.Context(), most, newest, nowNs, keep)
		if gone := before - j.eventCount(t); err != nil || gone > pieceEvents || int64(gone) != r.lost {
			t.Fatalf("%d events of one piece went, %+v, %v", gone, r, err)
		}
		return r
	}
	if r := thin(all, 1); r.lost != 0 || r.more || r.waiting != all {
		t.Errorf("within the limit: %+v", r)
	}
	if r := thin(all-50_000, 1); r.lost != pieceEvents-1 || r.more || r.jobsOnly {
		t.Errorf("a little beyond it: %+v", r)
	}
	total := int64(pieceEvents - 1)
	for n := 0; ; n++ {
		r := thin(0, 1)
		total += r.lost
		if r.givenUp.Readings != total {
			t.Fatalf("%d were given up, told are %+v", total, r.givenUp)
		}
		if n == 4 {
			// Pruned as far as there, in the job: what is left of it stays.
			if err := j.SetSent(t.Context(), rest+job/2, nil); err != nil {
				t.Fatal(err)
			}
			for more := true; more; {
				if more, err = j.Prune(t.Context(), time.Unix(0, 1e18), newest, true); err != nil {
					t.Fatal(err)
				}
			}
		}
		if !r.more {
			break
		}
	}
	if want := int64(2*rest - 1); total != want || j.eventCount(t) != job-job/2 {
		t.Errorf("%d given up of %d, %d of the job left", total, want, j.eventCount(t))
	}
	mustAppend(t, j, Batch{Events: weights(newest+1, 5)})
	newest += 5
	if r := thin(0, 1+int64(keep)+1); r.givenUp.Readings != 5 || r.givenUp.FromNs != int64(newest-4)*1e9 {
		t.Errorf("long after it: %+v", r.givenUp)
	}
}

// How long the room lasts follows from what came in the last hour or two.
func TestPace(t *testing.T) {
	var p pace
	minute := int64(time.Minute)
	at := func(minutes, bytes int64) time.Duration {
		return p.left(1e18+minutes*minute, bytes, 6_000_000).Round(time.Minute)
	}
	for _, c := range []struct {
		minutes, bytes int64
		want           time.Duration
	}{
		{0, 5000, 0},                  // not known yet
		{9, 95_000, 0},                // too soon
		{10, 105_000, 10 * time.Hour}, // 10 kB a minute
		{60, 605_000, 10 * time.Hour},
		{61, 605_000, 610 * time.Minute},
		{120, 1_805_000, 300 * time.Minute}, // 20 since
		{121, 1_825_000, 300 * time.Minute},
		{181, 25_000, 0}, // the history has taken most
		{241, 25_000, 0},
		{242, 25_001, 365_000 * time.Hour}, // within what a duration can say
	} {
		if got := at(c.minutes, c.bytes); got != c.want && got.Hours() < 365_000 {
			t.Errorf("after %d minutes, at %d bytes: %v, want %v", c.minutes, c.bytes, got, c.want)
		}
	}
	for d, want := range map[time.Duration]string{50 * time.Hour: "2 days", 200 * time.Hour: "8 days", 47 * time.Hour: "47 hours", 100 * time.Minute: "100 minutes"} {
		if got := roughly(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}

// When only a job is left, the journal grows beyond its limit, and that is told; as
// soon as something else may go, it goes.
func TestOnlyJobsAreLeft(t *testing.T) {
	config := lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines)
	limitMB := 0.5
	config.Journal.MostMB = &limitMB
	s := startStream(t, config)
	s.live(5*time.Second, time.Second, 0, 0)
	s.must(openTestJob)
	s.live(5*time.Hour, time.Second, 0, 0)
	eventually(t, 20*time.Second, "word of the job", func() bool {
		s.live(time.Minute, time.Second, 0, 0)
		return strings.Contains(s.alertTexts()["journal_jobs"], "beyond its limit of 0.5 MB (journal.most_mb) and only jobs and commands are left")
	})
	s.settled()
	if used, err := s.journal.used(); err != nil || used < 1_000_000 {
		t.Fatalf("the journal takes %d bytes, %v", used, err)
	}
	opened := s.journal.count(t, "SELECT seq FROM event WHERE input ->> 'do' = 'open'")
	newest := s.journal.count(t, "SELECT max(seq) FROM event")
	if n := s.journal.count(t, "SELECT count(*) FROM event WHERE seq >= ?", opened); n != newest-opened+1 {
		t.Errorf("%d events of the job are kept of %d", n, newest-opened+1)
	}
	s.must(`"do":"abandon","why":"test"`)
	s.live(4*time.Hour, time.Second, 0, 0)
	eventually(t, 20*time.Second, "what comes after the job to go", func() bool {
		s.live(time.Minute, time.Second, 0, 0) // each batch takes a piece along
		s.settled()
		return s.journal.count(t, "SELECT count(*) FROM event WHERE seq > ? AND input IS NULL", newest) < snapshotEvery
	})
	if n := s.journal.count(t, "SELECT count(*) FROM event WHERE seq BETWEEN ? AND ?", opened, newest); n != newest-opened+1 {
		t.Errorf("%d events of the job are kept of %d", n, newest-opened+1)
	}
}

// While the history takes everything, a limit that holds no week shortens it, and
// nobody is alarmed.
func TestLimitWhileTheHistoryTakesAll(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	defer server.Close()
	config := lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines)
	config.History = HistoryConfig{URL: server.URL, Bucket: "b"}
	limitMB := 3.0 // about twice what comes between two snapshots
	config.Journal.MostMB = &limitMB
	s := startStream(t, config)
	for range 6 {
		s.live(2*time.Hour, time.Second, 0, 0)
		s.settled()
		eventually(t, time.Minute, "the history to have all", func() bool {
			sent, err := s.journal.Sent()
			return err == nil && int(sent) == s.journal.count(t, "SELECT max(seq) FROM event")
		})
		for kind, text := range s.alertTexts() {
			if strings.HasPrefix(kind, "journal") {
				t.Errorf("%s: %s", kind, text)
			}
		}
	}
	eventually(t, time.Minute, "a journal within its limit", func() bool {
		s.live(time.Minute, time.Second, 0, 0) // each batch takes a piece along
		s.settled()
		used, err := s.journal.used()
		return err == nil && used <= int64(limitMB*1e6)
	})
	if n := s.journal.eventCount(t); n > s.readings*9/10 || n < snapshotEvery {
		t.Errorf("%d events of %d are kept", n, s.readings)
	}
}

// AtTheLimit is what became of a cart whose history was away until its journal had
// reached its limit, and for as long again.
type AtTheLimit struct {
	Config *Config
	Jobs   []string
}

// PlayAtTheLimit lets a history be away while a cart measures, with a job now and
// then, so long that about half of what came between jobs has to go; with a restart
// in one of the jobs. Then the history comes back and takes what is left.
func PlayAtTheLimit(t *testing.T) (played AtTheLimit) {
	t.Helper()
	server := startInflux(t)
	server.stop(syscall.SIGTERM)
	config := lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines)
	config.History = HistoryConfig{URL: server.url, Bucket: "bayfill/autogen"}
	long := max(outage(), 6*time.Hour) // a limit for less holds too little between two looks
	limitMB := 7 * long.Hours() / 24
	config.Journal.MostMB = &limitMB
	played.Config = config
	s := startStream(t, config)
	starts, readings, commands := 1, 0, 0
	end := func() {
		s.stop()
		readings, commands = readings+s.readings, commands+s.ids
	}
	restart := func() {
		end()
		given := s.alertTexts()["journal_given_up"]
		live := bits(s.state)
		if again := bits(replayed(t, config.JournalPath("cart"))); again != live {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, live)
		}
		caddyKg, supplyKg := s.caddyKg, s.supplyKg
		s = startStream(t, config)
		s.caddyKg, s.supplyKg = caddyKg, supplyKg
		starts++
		if s.first["journal_given_up"] != given || given == "" {
			t.Errorf("before the restart it says %q, after it %q", given, s.first["journal_given_up"])
		}
	}
	warned, acted, mostUsed := "", "", int64(0)
	const parts = 12
	for n := range parts {
		if n%2 == 1 {
			job := fmt.Sprintf("job-%d", n)
			played.Jobs = append(played.Jobs, job)
			s.drain(job)
			if n > parts*2/3 && starts == 1 {
				restart()
			}
			s.fill()
		}
		s.live(long/parts-time.Minute, 2*time.Second, 0, 0)
		s.settled()
		alerts := s.alertTexts()
		if text := alerts["journal_filling"]; warned == "" && strings.Contains(text, "at the present pace") {
			warned = text
		}
		if acted = alerts["journal_given_up"]; acted != "" && warned == "" {
			t.Error("it was told only when it acted")
		}
		if text := alerts["journal_jobs"]; text != "" {
			t.Error(text)
		}
		used, err := s.journal.used()
		if err != nil {
			t.Fatal(err)
		}
		mostUsed = max(mostUsed, used)
	}
	// A batch or two come before a piece goes.
	if float64(mostUsed) > limitMB*1e6+500_000 {
		t.Errorf("the journal took up to %d bytes of %g MB", mostUsed, limitMB)
	}
	if text := s.alertTexts()["journal_filling"]; !strings.Contains(text, "is full to its limit") {
		t.Errorf("in the end it says %q", text)
	}
	t.Logf("told first: %s", warned)
	t.Logf("told at last: %s", acted)

	server.start()
	restart()
	s.live(2*time.Minute, time.Second, 0, 0)
	s.settled()
	eventually(t, 5*time.Minute, "the history to catch up", func() bool {
		sent, err := s.journal.Sent()
		return err == nil && int(sent) == s.journal.count(t, "SELECT max(seq) FROM event")
	})
	s.live(2*time.Minute, time.Second, 0, 0)
	s.settled()
	eventually(t, 20*time.Second, "all to be well", func() bool { return s.alertTexts()["journal_filling"] == "" })
	end()

	j := openTestJournal(t, config.JournalPath("cart"))
	given, err := j.givenUp()
	if err != nil {
		t.Fatal(err)
	}
	forward := &forwarder{shop: "test", cart: "cart", journal: j, history: openTestHistory(t, server.url, "bayfill/autogen"), log: testLog()}
	for n := 1; n > 0; {
		if n, _, err = forward.once(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if taken := server.points(readingMeasurement); taken+int(given.Readings) != readings || int(given.Readings) < readings/4 {
		t.Errorf("of %d readings %d are given up and %d in the history", readings, given.Readings, taken)
	}
	for what, n := range map[string]int{
		"inputs in the journal": j.count(t, "SELECT count(*) FROM event WHERE input ->> 'do' <> 'tick'"),
		"inputs in the history": server.points(inputMeasurement) - j.count(t, "SELECT count(*) FROM event WHERE input ->> 'do' = 'tick'"),
	} {
		if n != starts+commands {
			t.Errorf("%d %s, want %d", n, what, starts+commands)
		}
	}
	for _, job := range played.Jobs {
		if state, err := j.jobState(t.Context(), job); err != nil || math.Abs(state.Volumes().DrainedKg-1) > 0.02 {
			t.Errorf("%s: %.3f kg drained, %v", job, state.Volumes().DrainedKg, err)
		}
	}
	events := j.eventCount(t)
	j.Close()
	server.ql("CREATE DATABASE second")
	config.History.Bucket = "second/autogen"
	filled, err := FillHistory(t.Context(), config.History, "test", "cart", config.JournalPath("cart"), func(f Filled) {
		if f.Events > f.Of {
			t.Errorf("%d of %d events", f.Events, f.Of)
		}
	})
	config.History.Bucket = "bayfill/autogen"
	if err != nil || int(filled.Events) != events || filled.Of != filled.Events || len(filled.Refused) > 0 {
		t.Errorf("filled %+v of %d events, %v", filled, events, err)
	}
	t.Logf("%d readings, %d given up, %d jobs, journal up to %d kB", readings, given.Readings, len(played.Jobs), mostUsed/1000)
	return played
}
