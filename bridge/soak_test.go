package bridge

import (
	"bytes"
	"context"
	"flag"
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

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
)

// A month takes ten to twenty minutes:
//
//	go test ./bridge -run TestSoak -v -timeout 60m -soak-days 30
var soakDays = flag.Float64("soak-days", 0.17, "how many simulated days TestSoak lasts, at least four hours")

// historyOf is a history whose server is a function.
func historyOf(t *testing.T, serve roundTrip) *history {
	t.Helper()
	client := influxdb2.NewClientWithOptions("http://history", "", influxdb2.DefaultOptions().SetLogLevel(0).
		SetHTTPClient(&http.Client{Timeout: 20 * time.Second, Transport: serve}))
	t.Cleanup(client.Close)
	return &history{client, client.WriteAPIBlocking("", "b")}
}

// footprint is what a process that runs for ever must not gather.
type footprint struct {
	heapKB, goroutines, descriptors, journalKB, events int
}

func (l *lonely) footprint(t *testing.T) (f footprint) {
	t.Helper()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	open, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	f = footprint{heapKB: int(m.HeapAlloc / 1024), goroutines: runtime.NumGoroutine(), descriptors: len(open), events: l.journal.eventCount(t)}
	for _, end := range []string{"", "-wal", "-shm"} {
		file, err := os.Stat(l.path + end)
		if err != nil {
			t.Fatal(err)
		}
		f.journalKB += int(file.Size() / 1024)
	}
	return f
}

// Day and night, a job every hour and silence in between, the history taking
// all: nothing grows that is not pruned.
func TestSoak(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const speed, keep, round = 20, 30 * time.Minute, time.Hour
		l := newLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines))
		*l.clock = *NewClock(l.clock.NowNs(), speed)
		l.keep = keep
		l.forward = make(chan struct{}, 1)
		var lines atomic.Int64
		f := forwarder{shop: "test", cart: "cart", journal: l.journal, more: l.forward, log: testLog(),
			told: func(trouble string, refused int) {
				if trouble != "" || refused != 0 {
					t.Errorf("%s, %d refused", trouble, refused)
				}
			},
			history: historyOf(t, func(r *http.Request) (*http.Response, error) {
				body, err := io.ReadAll(r.Body)
				lines.Add(int64(bytes.Count(body, []byte("\n")) + 1))
				return &http.Response{StatusCode: http.StatusNoContent, Body: http.NoBody, Request: r}, err
			})}
		ctx, end := context.WithCancel(t.Context())
		var work sync.WaitGroup
		l.start()
		work.Go(func() { f.run(ctx) })
		defer work.Wait()
		defer end()

		var rounds []footprint
		began := l.clock.NowNs()
		for n := range int(*soakDays * 24) {
			l.live(3, 0, 0)
			l.must(fmt.Sprintf(`"do":"open","job":"job-%d","used_fluid":"used","fluid":"fresh","low_c":35,"high_c":45`, n), `"do":"phase","phase":"draining"`)
			l.live(30, 0.05, 0)
			l.live(3, 0, 0)
			l.must(`"do":"phase","phase":"filling"`)
			l.live(30, 0, 0.05)
			l.live(3, 0, 0)
			l.must(`"do":"close"`)
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
			if (n+1)%24 == 0 || *soakDays < 1 {
				t.Logf("after %d h: %+v", n+1, rounds[n])
			}
		}
		// From the second day on, or the second hour of a short run.
		first, last := rounds[1], rounds[len(rounds)-1]
		if len(rounds) > 48 {
			first = rounds[47]
		}
		if last.goroutines > first.goroutines || last.descriptors > first.descriptors || last.heapKB > first.heapKB+1024 ||
			float64(last.journalKB) > 1.2*float64(first.journalKB) || float64(last.events) > 1.2*float64(first.events) {
			t.Errorf("from %+v to %+v", first, last)
		}
		if all := int(l.state.Seq); last.events > all/2 || int(lines.Load()) < all {
			t.Errorf("%d events of %d are kept, %d lines were sent: this tests nothing", last.events, all, lines.Load())
		}
	})
}
