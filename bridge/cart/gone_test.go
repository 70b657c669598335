package cart

import (
	"os"
	"strings"
	"testing"
	"testing/synctest"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
)

// TestJournalGone deletes, moves and replaces a journal under a running cart: no command
// is answered as done, the alert says what to do, and measuring goes on. With the files
// back in their place nothing is lost.
func TestJournalGone(t *testing.T) {
	for name, c := range map[string]struct {
		harm func(path string) error
		back func(path string) error // nil: cannot be undone
	}{
		"deleted":          {func(path string) error { return os.Remove(path) }, nil},
		"its log deleted":  {func(path string) error { return os.Remove(path + "-wal") }, nil},
		"its lock deleted": {func(path string) error { return os.Remove(path + ".lock") }, nil},
		"replaced by a copy": {func(path string) error {
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			if err := os.WriteFile(path+".new", text, 0o600); err != nil {
				return err
			}
			return os.Rename(path+".new", path)
		}, nil},
		"moved away and back": {
			func(path string) error { return os.Rename(path, path+".away") },
			func(path string) error { return os.Rename(path+".away", path) }},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
				l.ends = c.back == nil
				l.start()
				l.live(3, 0, 0)
				l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
				if err := c.harm(l.path); err != nil {
					t.Fatal(err)
				}
				if r := l.send(`{"id":"late","do":"phase","phase":"service"}`); r.OK || r.Refused == nil || !strings.Contains(r.Error, "Nothing was done") {
					t.Errorf("a command was answered %+v", r)
				}
				l.live(5, 0.05, 0)
				text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["journal"]
				if !strings.Contains(text, "replaced while the program runs") || !strings.Contains(text, "Put them back") {
					t.Errorf("the alert says %q", text)
				}
				if v := newest[wire.Volumes](l, wire.VolumesLeaf); v.Phase != "draining" || v.DrainedKg < 0.2 {
					t.Errorf("phase %s, %.3f kg: measuring does not go on", v.Phase, float64(v.DrainedKg))
				}
				if c.back == nil {
					return
				}
				if err := c.back(l.path); err != nil {
					t.Fatal(err)
				}
				l.live(maxRetry.Seconds()+1, 0, 0)
				if r := l.send(`{"id":"late","do":"phase","phase":"service"}`); !r.OK {
					t.Errorf("with the files back the command was refused: %s", r.Error)
				}
				l.stop()
				kept(t, l.path) // fails on a gap
			})
		})
	}
}
