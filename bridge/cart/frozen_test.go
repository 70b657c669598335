package cart

import (
	"math"
	"strings"
	"testing"
	"testing/synctest"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
)

// TestFrozenScale checks that a scale that flickered and then stands still raises an
// alert, and that a quiet scale and the end of a pour do not.
func TestFrozenScale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		alert := func() string {
			for _, a := range newest[wire.Alerts](l, wire.AlertsLeaf).Alerts {
				if strings.HasPrefix(a.Kind, "frozen:") {
					return a.Text
				}
			}
			return ""
		}
		l.live(4, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0) // a pour flickers too, but never about one load
		l.live(330, 0, 0)
		if text := alert(); text != "" {
			t.Fatalf("a quiet scale: %s", text)
		}
		at := l.caddyKg
		for i := range 30 {
			l.caddyKg = at + 0.005*math.Mod(float64(i), 2)
			l.live(0.5, 0, 0)
		}
		l.live(290, 0, 0)
		if text := alert(); text != "" {
			t.Fatalf("too soon: %s", text)
		}
		l.live(20, 0, 0)
		if text := alert(); !strings.Contains(text, "The caddy's scale has shown exactly") || !strings.Contains(text, "for 5 min") {
			t.Fatalf("frozen: %q", text)
		}
		l.caddyKg += 0.005
		l.live(1, 0, 0)
		if text := alert(); text != "" {
			t.Errorf("it moves again: %s", text)
		}
	})
}
