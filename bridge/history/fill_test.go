package history

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

// Fill sends all events before the damage in a damaged journal.
func TestFillFromADamagedJournal(t *testing.T) {
	var lines atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		lines.Add(int64(bytes.Count(body, []byte("\n")) + 1))
		w.Header().Set("X-Influxdb-Version", "1.8.10")
		w.WriteHeader(http.StatusNoContent)
	}))
	defer server.Close()
	const events, page = 20_000, 4096
	path := filepath.Join(bridgetest.MemoryDir(t), "a.journal")
	j := journaltest.Open(t, path)
	journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, events)})
	j.Close()
	file := bridgetest.ReadFile(t, path)
	clear(file[len(file)/2/page*page:][:page])
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	done, err := Fill(t.Context(), config.History{URL: server.URL, Bucket: "b"}, "test", "cart", path, func(Filled) {})
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("after event %d: ", done.Events)) || !strings.Contains(err.Error(), "is damaged") {
		t.Errorf("after %d events: %v", done.Events, err)
	}
	if done.Of != events || done.Events < events/3 || done.Events > events*2/3 || uint64(lines.Load()) != done.Events {
		t.Errorf("%d of %d events sent, %d lines arrived", done.Events, done.Of, lines.Load())
	}
}
