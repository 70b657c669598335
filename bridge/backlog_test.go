package bridge

import (
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
)

// The metric of the history's backlog is right at each start.
func TestHistoryBacklogIsShown(t *testing.T) {
	var down atomic.Bool
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if down.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		w.Header().Set("X-Influxdb-Version", "1.8.10")
		w.WriteHeader(http.StatusNoContent)
	}))
	defer server.Close()
	conf := journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`)
	conf.History = config.History{URL: server.URL, Bucket: "b"}
	backlog := func(b *Bridge) float64 {
		t.Helper()
		families, err := b.registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range families {
			if f.GetName() == "bayfill_history_backlog_events" {
				return f.GetMetric()[0].GetGauge().GetValue()
			}
		}
		t.Fatal("it is not shown")
		return 0
	}
	b, stop := runBridgeWith(t, conf, Options{Open: bridgetest.Mute}, nil)
	bridgetest.Eventually(t, 10*time.Second, "an empty backlog", func() bool { return backlog(b) == 0 })
	down.Store(true)
	bridgetest.Eventually(t, 10*time.Second, "a backlog", func() bool { return backlog(b) >= 3 }) // ticks, one a second
	stop()
	down.Store(false)
	b, stop = runBridgeWith(t, conf, Options{Open: bridgetest.Mute}, func(b *Bridge) {
		sent, _, err := b.carts[0].Journal().Sent()
		if err != nil || sent == 0 {
			t.Fatalf("sent up to %d: %v", sent, err)
		}
		_, last, err := b.carts[0].Journal().Bounds(t.Context())
		if n := backlog(b); err != nil || n != float64(last-sent) || n < 3 {
			t.Errorf("after a start the backlog is %g, sent are %d of %d, %v", n, sent, last, err)
		}
	})
	bridgetest.Eventually(t, 10*time.Second, "an empty backlog", func() bool { return backlog(b) == 0 })
	stop()
}
