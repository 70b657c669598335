package bridge

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// A history that was away for a week and comes back badly: slow, flapping, taking
// requests without an answer, or taking them and losing the answer. Everything
// arrives, in order, nothing that was not kept; one bounded request is under way
// at a time; and meanwhile the cart stays live.
func TestHistoryComesBackBadly(t *testing.T) {
	errCut := errors.New("connection reset by peer")
	after := func(r *http.Request, d time.Duration) error {
		select {
		case <-time.After(d):
			return nil
		case <-r.Context().Done():
			return r.Context().Err()
		}
	}
	for name, manner := range map[string]func(n int, began time.Time, r *http.Request) (take bool, err error){
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
			synctest.Test(t, func(t *testing.T) {
				// A week in which a quiet cart said something every minute and a half.
				const week, every = 7 * 24 * time.Hour, 90 * time.Second
				config := lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines)
				j := openTestJournal(t, config.JournalPath("cart"))
				old := weights(1, int(week/every))
				for i := range old {
					old[i].AtNs = time.Now().Add(-week).UnixNano() + int64(i)*int64(every)
				}
				for some := range slices.Chunk(old, 2000) {
					mustAppend(t, j, Batch{Events: some})
				}
				j.Close()

				l := newLonely(t, config)
				l.forward = make(chan struct{}, 1)
				began, requests, atOnce, most := time.Now(), 0, 0, 0
				var arrived []string
				first := map[string]bool{}
				f := forwarder{shop: "test", cart: "cart", journal: l.journal, more: l.forward, log: testLog(), told: func(string, int) {},
					history: historyOf(t, func(r *http.Request) (*http.Response, error) {
						if atOnce++; atOnce > 1 {
							t.Error("two requests at once")
						}
						defer func() { atOnce-- }()
						body, err := io.ReadAll(r.Body)
						if err != nil {
							return nil, err
						}
						n := requests
						requests++
						take, err := manner(n, began, r)
						if take {
							lines := strings.Split(strings.TrimSuffix(string(body), "\n"), "\n")
							most = max(most, len(lines))
							for _, line := range lines {
								if !first[line] {
									first[line] = true
									arrived = append(arrived, line)
								}
							}
						}
						if err != nil {
							return nil, err
						}
						return &http.Response{StatusCode: http.StatusNoContent, Body: http.NoBody, Request: r}, nil
					})}
				ctx, end := context.WithCancel(t.Context())
				l.start()
				var work sync.WaitGroup
				work.Go(func() { f.run(ctx) })
				defer work.Wait()
				defer end()

				took := time.Duration(0)
				for mark := uint64(0); mark < uint64(len(old)); took = time.Since(began) {
					l.live(1, 0, 0)
					var err error
					if mark, err = l.journal.Sent(); err != nil || took > 10*time.Minute {
						t.Fatalf("after %v the mark is at %d, %v", took, mark, err)
					}
				}
				l.live(10, 0, 0)
				// Live all the while, at the contract's pace.
				volumes := l.all(string(VolumesLeaf))
				for i := 1; i < len(volumes); i++ {
					if pause := volumes[i].at.Sub(volumes[i-1].at); pause > 10*time.Second {
						t.Errorf("no volumes for %v", pause)
					}
				}
				if age := time.Since(volumes[len(volumes)-1].at); age > 10*time.Second || len(volumes) < 2 {
					t.Errorf("%d volumes, the last %v ago", len(volumes), age)
				}
				l.stop()
				end()
				work.Wait()
				j = openTestJournal(t, l.path)
				defer j.Close()
				var want []string
				for seq := uint64(0); ; {
					events, lines, err := j.lines(t.Context(), "test", "cart", seq, 5000)
					if err != nil {
						t.Fatal(err)
					}
					if len(events) == 0 {
						break
					}
					want = append(want, lines...)
					seq = events[len(events)-1].Seq
				}
				if len(arrived) < len(old) || !slices.Equal(arrived, want[:len(arrived)]) {
					t.Errorf("%d lines arrived that are not the journal's first", len(arrived))
				}
				if most > 3*forwardBatch {
					t.Errorf("a request of %d lines", most)
				}
				t.Logf("%d events of a week in %v and %d requests; %d lines, at most %d at once", len(old), took, requests, len(arrived), most)
			})
		})
	}
}

// A broker that comes and goes every second: in the end every leaf is the newest,
// nobody saw an older one again, and no command is done twice.
func TestFlappingBroker(t *testing.T) {
	broker := startMosquitto(t)
	s := subscribe(t, broker.url, "", "", testCart+"#")
	b, stop := runBridgeWith(t, bareConfig(t, t.TempDir(), `{url: "`+broker.url+`"}`), Options{Speed: 20, Open: mute}, nil)
	l := b.carts[0].link
	online(t, s, "")
	for range 3 {
		broker.stop(syscall.SIGKILL)
		time.Sleep(300 * time.Millisecond)
		broker.start()
		time.Sleep(700 * time.Millisecond)
	}
	now := func() uint64 { return read[VolumesMessage](s, VolumesLeaf).Seq }
	before := now()
	eventually(t, 30*time.Second, "live volumes", func() bool { return now() > before+50 })
	s.must(openTestJob)
	eventually(t, 20*time.Second, "no alert", func() bool { return !strings.Contains(string(l.payload(AlertsLeaf)), `"broker"`) })
	stop()
	late := subscribe(t, broker.url, "", "", testCart+"#")
	for _, leaf := range stateLeaves[1:] {
		eventually(t, 10*time.Second, "the retained "+string(leaf), func() bool {
			m, ok := late.last("/" + string(leaf))
			return ok && bytes.Equal(m.payload, l.payload(leaf))
		})
	}
	neverBack(t, slices.DeleteFunc(s.all(), func(m message) bool { return !strings.HasSuffix(m.topic, "/volumes") }))
}
