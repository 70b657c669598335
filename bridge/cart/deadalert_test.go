package cart

import (
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

// TestRefusedLinesAlertAfterARestart checks that the alert about lines that the history
// refused outlives a restart, as long as they are in the journal.
func TestRefusedLinesAlertAfterARestart(t *testing.T) {
	conf := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines)
	conf.History = config.History{URL: "http://127.0.0.1:1", Bucket: "b"}
	now := func() string {
		own, err := New(t.Context(), conf, &conf.Carts[0], Options{Log: bridgetest.Log(), Speed: 1, History: true})
		if err != nil {
			t.Fatal(err)
		}
		defer own.Close()
		if _, err := own.WatchHistory(t.Context()); err != nil {
			t.Fatal(err)
		}
		return bridgetest.AlertTexts(own.alertsMessage())["history_refused"]
	}
	if text := now(); text != "" {
		t.Errorf("nothing was refused and the alert says %q", text)
	}
	j := journaltest.Open(t, conf.JournalPath("cart"))
	if err := j.SetSent(t.Context(), 0, false, []journal.Refused{{Line: "a", Reason: "b"}, {Line: "c", Reason: "d"}}); err != nil {
		t.Fatal(err)
	}
	j.Close()
	if text := now(); !strings.Contains(text, "refused 2 lines for good") {
		t.Errorf("after a restart the alert says %q", text)
	}
}
