package bridge

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
)

// When only a job is left the journal grows beyond its limit, and an alert says so. As soon as
// other events may be deleted, they are.
func TestOnlyJobsAreLeft(t *testing.T) {
	config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	limitMB := 0.5
	config.Journal.MaxMB = &limitMB
	s := startStream(t, config, 1000*time.Hour)
	s.live(5*time.Second, time.Second, 0, 0)
	s.must(bridgetest.OpenJob)
	s.live(5*time.Hour, time.Second, 0, 0)
	bridgetest.Eventually(t, time.Minute, "the alert about the job", func() bool {
		s.live(time.Minute, time.Second, 0, 0)
		return strings.Contains(s.alertTexts()["journal_jobs"], "beyond its limit of 0.5 MB (journal.max_mb) and only jobs and commands are left")
	})
	s.settled()
	if used, err := s.Journal().Used(); err != nil || used < 1_000_000 {
		t.Fatalf("the journal takes %d bytes, %v", used, err)
	}
	opened := journaltest.CountOf(t, s.Journal(), "SELECT seq FROM event WHERE input ->> 'do' = 'open'")
	newest := journaltest.CountOf(t, s.Journal(), "SELECT max(seq) FROM event")
	if n := journaltest.CountOf(t, s.Journal(), "SELECT count(*) FROM event WHERE seq >= ?", opened); n != newest-opened+1 {
		t.Errorf("%d events of the job are kept of %d", n, newest-opened+1)
	}
	s.must(`"do":"abandon","why":"test"`)
	s.live(4*time.Hour, time.Second, 0, 0)
	bridgetest.Eventually(t, 20*time.Second, "what comes after the job to go", func() bool {
		s.live(time.Minute, time.Second, 0, 0) // each batch takes a piece along
		s.settled()
		return journaltest.CountOf(t, s.Journal(), "SELECT count(*) FROM event WHERE seq > ? AND input IS NULL", newest) < 20000
	})
	if n := journaltest.CountOf(t, s.Journal(), "SELECT count(*) FROM event WHERE seq BETWEEN ? AND ?", opened, newest); n != newest-opened+1 {
		t.Errorf("%d events of the job are kept of %d", n, newest-opened+1)
	}
}

// While the history has everything, a limit that is too small for a week shortens the time
// that the journal keeps, without an alert.
func TestLimitWhileTheHistoryTakesAll(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Influxdb-Version", "1.8.10")
		w.WriteHeader(http.StatusNoContent)
	}))
	defer server.Close()
	conf := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	conf.History = config.History{URL: server.URL, Bucket: "b"}
	limitMB := 3.0 // about twice what comes between two snapshots
	conf.Journal.MaxMB = &limitMB
	s := startStream(t, conf, 1000*time.Hour)
	for range 6 {
		s.live(2*time.Hour, time.Second, 0, 0)
		s.settled()
		bridgetest.Eventually(t, time.Minute, "the history to have all", func() bool {
			sent, _, err := s.Journal().Sent()
			return err == nil && int(sent) == journaltest.CountOf(t, s.Journal(), "SELECT max(seq) FROM event")
		})
		for kind, text := range s.alertTexts() {
			if strings.HasPrefix(kind, "journal") {
				t.Errorf("%s: %s", kind, text)
			}
		}
	}
	bridgetest.Eventually(t, time.Minute, "a journal within its limit", func() bool {
		s.live(time.Minute, time.Second, 0, 0) // each batch takes a piece along
		s.settled()
		used, err := s.Journal().Used()
		return err == nil && used <= int64(limitMB*1e6)
	})
	if n := journaltest.EventCount(t, s.Journal()); n > s.readings*9/10 || n < 20000 { // about what comes between two snapshots
		t.Errorf("%d events of %d are kept", n, s.readings)
	}
}
