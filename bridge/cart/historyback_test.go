package cart

import (
	"context"
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/history"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
)

// TestHistoryComesBackWithErrors brings a history back after a week that is slow, flapping,
// accepts requests without an answer, or stores them and loses the answer. Everything
// arrives in order, and nothing that was not on disk; one bounded request is in flight
// at a time; and meanwhile the cart stays live.
func TestHistoryComesBackWithErrors(t *testing.T) {
	errCut := errors.New("connection reset by peer")
	after := func(r *http.Request, d time.Duration) error {
		select {
		case <-time.After(d):
			return nil
		case <-r.Context().Done():
			return r.Context().Err()
		}
	}
	for name, manner := range map[string]manner{
		"slow": func(_ int, _ time.Time, r *http.Request) (bool, error) { return true, after(r, 2*time.Second) },
		"flapping": func(_ int, began time.Time, r *http.Request) (bool, error) {
			if time.Since(began)/(3*time.Second)%2 == 1 {
				return false, errCut
			}
			return true, after(r, 700*time.Millisecond)
		},
		"half-open": func(n int, _ time.Time, r *http.Request) (bool, error) {
			if n < 3 || n == 9 {
				return false, after(r, time.Hour)
			}
			return true, nil
		},
		"answers lost": func(n int, _ time.Time, _ *http.Request) (bool, error) {
			if n%5 == 1 {
				return true, errCut
			}
			return true, nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { comeBack(t, manner) })
		})
	}
}

// manner says how a history treats its nth request: whether it stores the lines, and the
// error that the client sees.
type manner func(n int, began time.Time, r *http.Request) (take bool, err error)

// comeBack runs a cart whose journal has a week that the history has not.
func comeBack(t *testing.T, manner manner) {
	config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	n := appendWeek(t, config.JournalPath("cart"))
	l := newLonely(t, config)
	l.grown = make(chan struct{}, 1)
	server := &returningHistory{t: t, manner: manner, began: time.Now(), seen: map[string]bool{}}
	f := history.Forwarder{Shop: "test", Cart: "cart", Journal: l.journal, Grown: l.grown, Log: bridgetest.Log(), Report: func(string, int) {},
		Client: historyOf(t, server.answer)}
	ctx, end := context.WithCancel(t.Context())
	l.start()
	var work sync.WaitGroup
	work.Go(func() { f.Run(ctx) })
	defer work.Wait()
	defer end()

	took := time.Duration(0)
	for mark := uint64(0); mark < uint64(n); took = time.Since(server.began) {
		l.live(1, 0, 0)
		var err error
		if mark, _, err = l.journal.Sent(); err != nil || took > 10*time.Minute {
			t.Fatalf("after %v the mark is at %d, %v", took, mark, err)
		}
	}
	l.live(10, 0, 0)
	l.livedAtPace()
	l.stop()
	end()
	work.Wait()
	if want := journalLines(t, l.path); len(server.arrived) < n || !slices.Equal(server.arrived, want[:len(server.arrived)]) {
		t.Errorf("%d lines arrived that are not the journal's first", len(server.arrived))
	}
	if server.most > 3000 /* three batches */ {
		t.Errorf("a request of %d lines", server.most)
	}
	t.Logf("%d events of a week in %v and %d requests; %d lines, at most %d at once", n, took, server.requests, len(server.arrived), server.most)
}

// appendWeek fills a journal with a week in which a quiet cart had an event every minute
// and a half, and returns their number.
func appendWeek(t *testing.T, path string) int {
	t.Helper()
	const week, every = 7 * 24 * time.Hour, 90 * time.Second
	j := journaltest.Open(t, path)
	defer j.Close()
	old := bridgetest.Weights(1, int(week/every))
	for i := range old {
		old[i].AtNs = time.Now().Add(-week).UnixNano() + int64(i)*int64(every)
	}
	for some := range slices.Chunk(old, 2000) {
		journaltest.Append(t, j, journal.Batch{Events: some})
	}
	return len(old)
}

// returningHistory is a history that records what it stores.
type returningHistory struct {
	t        *testing.T
	manner   manner
	began    time.Time
	requests int
	inFlight int
	most     int // lines in one request
	arrived  []string
	seen     map[string]bool
}

func (s *returningHistory) answer(r *http.Request) (*http.Response, error) {
	if s.inFlight++; s.inFlight > 1 {
		s.t.Error("two requests at once")
	}
	defer func() { s.inFlight-- }()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	n := s.requests
	s.requests++
	take, err := s.manner(n, s.began, r)
	if take {
		lines := strings.Split(strings.TrimSuffix(string(body), "\n"), "\n")
		s.most = max(s.most, len(lines))
		for _, line := range lines {
			if !s.seen[line] {
				s.seen[line] = true
				s.arrived = append(s.arrived, line)
			}
		}
	}
	if err != nil {
		return nil, err
	}
	return &http.Response{StatusCode: http.StatusNoContent, Header: http.Header{"X-Influxdb-Version": {"1.8.10"}}, Body: http.NoBody, Request: r}, nil
}

// livedAtPace checks that the presence was published at the contract's pace all the time.
func (l *lonely) livedAtPace() {
	l.t.Helper()
	const late = wire.IdleBeat + time.Second
	beats := l.all(string(wire.PresenceLeaf))
	for i := 1; i < len(beats); i++ {
		if pause := beats[i].at.Sub(beats[i-1].at); pause > late {
			l.t.Errorf("no presence for %v", pause)
		}
	}
	if age := time.Since(beats[len(beats)-1].at); age > late || len(beats) < 2 {
		l.t.Errorf("%d presences, the last %v ago", len(beats), age)
	}
}

// journalLines returns all lines that a journal gives to a history.
func journalLines(t *testing.T, path string) (all []string) {
	t.Helper()
	j := journaltest.Open(t, path)
	defer j.Close()
	for seq := uint64(0); ; {
		events, lines, err := history.Lines(t.Context(), j, "test", "cart", seq, 5000, new(history.Selection))
		if err != nil {
			t.Fatal(err)
		}
		if len(events) == 0 {
			return all
		}
		all = append(all, lines...)
		seq = events[len(events)-1].Seq
	}
}
