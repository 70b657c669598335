package cart

import (
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestClockSetAfterTheStart starts a computer without a network, whose clock is wrong
// until the network sets it: until then an alert says so, and the events record by how
// much their times differ from the clock. A job that was open meanwhile says so at its
// end.
func TestClockSetAfterTheStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines)
		// The clock was three hours fast when the journal was begun.
		j := journaltest.Open(t, config.JournalPath("cart"))
		e := bridgetest.Weights(1, 1)
		e[0].AtNs = time.Now().Add(3 * time.Hour).UnixNano()
		journaltest.Append(t, j, journal.Batch{Events: e})
		j.Close()
		l := newLonely(t, config)
		var set atomic.Bool
		l.clockSet = set.Load
		l.start()
		l.live(3, 0, 0)
		if text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["clock_unset"]; !strings.Contains(text, "was not set from the network") {
			t.Errorf("the alert says %q", text)
		}
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(10, 0.05, 0)
		drained := newest[wire.Volumes](l, wire.VolumesLeaf).DrainedL
		set.Store(true)
		l.live(10, 0, 0)
		alerts := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))
		if alerts["clock_unset"] != "" || !strings.Contains(alerts["clock"], "This cart's time is 3 h ahead") {
			t.Errorf("alerts %v", alerts)
		}
		if v := newest[wire.Volumes](l, wire.VolumesLeaf); v.DrainedL-drained < -0.02 || v.DrainedL-drained > 0.1 || v.Quality != "good" {
			t.Errorf("drained %v, then %v (%s)", drained, v.DrainedL, v.Quality)
		}
		l.must(`"do":"abandon","why":"a test"`)
		l.live(2, 0, 0)
		l.stop()
		var notes []fillcalc.Clock
		for _, e := range kept(t, l.path) {
			if e.Input == nil {
				continue
			}
			switch e.Input.Do {
			case fillcalc.DoClock:
				notes = append(notes, *e.Input.Clock)
			case fillcalc.DoOpen:
				if e.Input.Clock == nil || !e.Input.Clock.Unset {
					t.Error("the job does not say that its clock is unset")
				}
			}
		}
		const ahead = int64(3 * time.Hour)
		if want := []fillcalc.Clock{{AheadNs: ahead, Unset: true}, {AheadNs: ahead}}; !slices.Equal(notes, want) {
			t.Errorf("noted %+v, want %+v", notes, want)
		}
		reader, err := journal.OpenReadOnly(l.path)
		if err != nil {
			t.Fatal(err)
		}
		defer reader.Close()
		published, err := reader.PublishedBetween(t.Context(), 0, 1e9)
		if err != nil {
			t.Fatal(err)
		}
		summary := ""
		for _, p := range published {
			if p.Measurement == points.JobMeasurement {
				summary = p.Fields
			}
		}
		if !strings.Contains(summary, "clock_ahead_s=1.08e+04") || strings.Contains(summary, "unset") {
			t.Errorf("closing record: %s", summary)
		}
	})
}
