package bridge

import (
	"fmt"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/points"
)

// AtTheLimit is the result of PlayAtTheLimit.
type AtTheLimit struct {
	Config *config.Config
	Jobs   []string
}

// PlayAtTheLimit runs a cart, with a few jobs and a restart in one of them, while the history
// is away until the journal has reached its limit and for as long again, so that about half of
// the readings between jobs are deleted. Then the history comes back and gets what is left.
func PlayAtTheLimit(t *testing.T) (played AtTheLimit) {
	t.Helper()
	server := bridgetest.StartInflux(t)
	server.Stop(syscall.SIGTERM)
	conf := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	conf.History = config.History{URL: server.URL, Bucket: "bayfill/autogen"}
	long := max(outage(), 6*time.Hour) // a limit for less holds too little between two looks
	limitMB := 3.5 * long.Hours() / 24 // half of what such a time between jobs takes
	conf.Journal.MaxMB = &limitMB
	played.Config = conf
	s := startStream(t, conf, 1000*time.Hour)
	starts, readings, commands := 1, 0, 0
	end := func() {
		s.stop()
		readings, commands = readings+s.readings, commands+s.ids
	}
	restart := func() {
		end()
		given := s.alertTexts()["journal_given_up"]
		live := bridgetest.Bits(s.State())
		if again := bridgetest.Bits(journaltest.Replayed(t, conf.JournalPath("cart"))); again != live {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, live)
		}
		caddyKg, supplyKg := s.caddyKg, s.supplyKg
		s = startStream(t, conf, 1000*time.Hour)
		s.caddyKg, s.supplyKg = caddyKg, supplyKg
		starts++
		if s.first["journal_given_up"] != given || given == "" {
			t.Errorf("before the restart it says %q, after it %q", given, s.first["journal_given_up"])
		}
	}
	warned, acted, maxUsed := "", "", int64(0)
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
		if text := alerts["journal_filling"]; warned == "" && strings.Contains(text, "at this pace") {
			warned = text
		}
		if acted = alerts["journal_given_up"]; acted != "" && warned == "" {
			t.Error("the first alert came only when readings were deleted")
		}
		if text := alerts["journal_jobs"]; text != "" {
			t.Error(text)
		}
		used, err := s.Journal().Used()
		if err != nil {
			t.Fatal(err)
		}
		maxUsed = max(maxUsed, used)
	}
	// One or two batches are appended before a piece is deleted.
	if float64(maxUsed) > limitMB*1e6+500_000 {
		t.Errorf("the journal took up to %d bytes of %g MB", maxUsed, limitMB)
	}
	if text := s.alertTexts()["journal_filling"]; !strings.Contains(text, "is full to its limit") {
		t.Errorf("in the end it says %q", text)
	}
	t.Logf("first alert: %s", warned)
	t.Logf("last alert: %s", acted)

	server.Start()
	restart()
	s.live(2*time.Minute, time.Second, 0, 0)
	s.settled()
	bridgetest.Eventually(t, 5*time.Minute, "the history to catch up", func() bool {
		sent, _, err := s.Journal().Sent()
		return err == nil && int(sent) == journaltest.CountOf(t, s.Journal(), "SELECT max(seq) FROM event")
	})
	s.live(2*time.Minute, time.Second, 0, 0)
	s.settled()
	bridgetest.Eventually(t, 20*time.Second, "all to be well", func() bool { return s.alertTexts()["journal_filling"] == "" })
	end()

	j := journaltest.Open(t, conf.JournalPath("cart"))
	given, err := j.GivenUp()
	if err != nil {
		t.Fatal(err)
	}
	h, err := history.Open(config.History{URL: server.URL, Bucket: "bayfill/autogen"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	forward := &history.Forwarder{Shop: "test", Cart: "cart", Journal: j, Client: h, Log: bridgetest.Log()}
	for n := 1; n > 0; {
		if n, _, err = forward.Once(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if taken := server.Points(points.ReadingMeasurement); taken+int(given.Readings) != readings || int(given.Readings) < readings/4 {
		t.Errorf("of %d readings %d are given up and %d in the history", readings, given.Readings, taken)
	}
	for what, n := range map[string]int{
		"inputs in the journal": journaltest.CountOf(t, j, "SELECT count(*) FROM event WHERE input ->> 'do' <> 'tick'"),
		"inputs in the history": server.Points(points.InputMeasurement) - journaltest.CountOf(t, j, "SELECT count(*) FROM event WHERE input ->> 'do' = 'tick'"),
	} {
		if n != starts+commands {
			t.Errorf("%d %s, want %d", n, what, starts+commands)
		}
	}
	for _, job := range played.Jobs {
		if state, err := j.JobState(t.Context(), job); err != nil || math.Abs(state.Volumes().DrainedKg-1) > 0.02 {
			t.Errorf("%s: %.3f kg drained, %v", job, state.Volumes().DrainedKg, err)
		}
	}
	events := journaltest.EventCount(t, j)
	j.Close()
	server.QL("CREATE DATABASE second")
	conf.History.Bucket = "second/autogen"
	filled, err := history.Fill(t.Context(), conf.History, "test", "cart", conf.JournalPath("cart"), func(f history.Filled) {
		if f.Events > f.Of {
			t.Errorf("%d of %d events", f.Events, f.Of)
		}
	})
	conf.History.Bucket = "bayfill/autogen"
	if err != nil || int(filled.Events) != events || filled.Of != filled.Events || len(filled.Refused) > 0 {
		t.Errorf("filled %+v of %d events, %v", filled, events, err)
	}
	t.Logf("%d readings, %d given up, %d jobs, journal up to %d kB", readings, given.Readings, len(played.Jobs), maxUsed/1000)
	return played
}
