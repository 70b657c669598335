package cart

import (
	"testing"
	"testing/synctest"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
)

// TestChainFollowsTheJournal compares the chain on disk with the one over the events on
// disk, through commands, writing in pieces and a restart.
func TestChainFollowsTheJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.start()
		l.live(5, 0, 0)
		l.must(bridgetest.OpenJob)
		l.live(3, 0, 0)
		l.must(`"do":"abandon","why":"test"`)
		l.live(3, 0, 0)
		l.stop()
		kept, err := journal.Open(l.path)
		if err != nil {
			t.Fatal(err)
		}
		defer kept.Close()
		events, err := kept.Events(t.Context(), 0, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		published, err := kept.PublishedBetween(t.Context(), 0, 1e9)
		if err != nil {
			t.Fatal(err)
		}
		all := journal.Batch{Events: events}
		for _, p := range published {
			if p.Measurement != points.JobMeasurement {
				all.Published = append(all.Published, p)
			}
		}
		all.LinkChain(points.Chain{})
		want := all.Chain
		if got, err := kept.Chain(); err != nil || got != want || want.JobSeq == 0 || want.JobHead == (points.Head{}) {
			t.Errorf("on disk is %+v, %v, the events give %+v", got, err, want)
		}
	})
}
