package cart

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
)

// historyOf is a history whose server is a function.
func historyOf(t *testing.T, serve bridgetest.RoundTrip) *history.Client {
	t.Helper()
	h := history.NewHistory(config.History{URL: "http://history", Bucket: "b"}, "", &http.Client{Timeout: 20 * time.Second, Transport: serve})
	t.Cleanup(h.Close)
	return h
}

func (l *lonely) footprint(t *testing.T) (f bridgetest.Footprint) {
	t.Helper()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	open, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	f = bridgetest.Footprint{HeapKB: int(m.HeapAlloc / 1024), Goroutines: runtime.NumGoroutine(), Descriptors: len(open), Events: journaltest.EventCount(t, l.journal)}
	for _, end := range []string{"", "-wal", "-shm"} {
		file, err := os.Stat(l.path + end)
		if err != nil {
			t.Fatal(err)
		}
		f.JournalKB += int(file.Size() / 1024)
	}
	return f
}

// TestSoak runs day and night, a job every hour and silence in between, with a history
// that accepts everything: nothing grows that is not pruned.
func TestSoak(t *testing.T) {
	bridgetest.Slow(t)
	synctest.Test(t, func(t *testing.T) {
		const speed, keep, round = 20, 30 * time.Minute, time.Hour
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		*l.clock = *clock.New(l.clock.NowNs(), speed)
		l.retention.keep = keep
		l.grown = make(chan struct{}, 1)
		var lines atomic.Int64
		f := history.Forwarder{Shop: "test", Cart: "cart", Journal: l.journal, Grown: l.grown, Log: bridgetest.Log(),
			Report: func(trouble string, refused int) {
				if trouble != "" || refused != 0 {
					t.Errorf("%s, %d refused", trouble, refused)
				}
			},
			Client: historyOf(t, func(r *http.Request) (*http.Response, error) {
				body, err := io.ReadAll(r.Body)
				lines.Add(int64(bytes.Count(body, []byte("\n")) + 1))
				return &http.Response{StatusCode: http.StatusNoContent, Header: http.Header{"X-Influxdb-Version": {"1.8.10"}}, Body: http.NoBody, Request: r}, err
			})}
		ctx, end := context.WithCancel(t.Context())
		var work sync.WaitGroup
		l.start()
		work.Go(func() { f.Run(ctx) })
		defer work.Wait()
		defer end()

		var rounds []bridgetest.Footprint
		began := l.clock.NowNs()
		for n := range int(*bridgetest.SoakDays * 24) {
			l.live(3, 0, 0)
			l.must(fmt.Sprintf(`"do":"open","job":"job-%d","used_fluid":"used","fluid":"fresh","low_c":35,"high_c":45`, n), `"do":"phase","phase":"draining"`)
			l.live(30, 0.05, 0)
			l.live(3, 0, 0)
			l.must(`"do":"phase","phase":"filling"`)
			l.live(30, 0, 0.05)
			l.live(3, 0, 0)
			l.must(`"do":"close","why":"a test"`)
			l.caddyKg, l.supplyKg = 3.2, 9.1
			for l.clock.NowNs() < began+int64(n+1)*int64(round) {
				time.Sleep(10 * time.Minute / speed)
				synctest.Wait()
				l.mu.Lock()
				l.sent = nil
				l.mu.Unlock()
			}
			synctest.Wait()
			rounds = append(rounds, l.footprint(t))
			if (n+1)%24 == 0 || *bridgetest.SoakDays < 1 {
				t.Logf("after %d h: %+v", n+1, rounds[n])
			}
		}
		// From the second day on, or the second hour of a short run.
		first, last := rounds[1], rounds[len(rounds)-1]
		if len(rounds) > 48 {
			first = rounds[47]
		}
		if last.Goroutines > first.Goroutines || last.Descriptors > first.Descriptors || last.HeapKB > first.HeapKB+1024 ||
			float64(last.JournalKB) > 1.2*float64(first.JournalKB) || float64(last.Events) > 1.2*float64(first.Events) {
			t.Errorf("from %+v to %+v", first, last)
		}
		if all := int(l.state.Seq); last.Events > all/2 || int(lines.Load()) < all {
			t.Errorf("%d events of %d are kept, %d lines were sent: this tests nothing", last.Events, all, lines.Load())
		}
	})
}
