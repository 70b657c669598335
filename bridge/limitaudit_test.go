package bridge_test

import (
	"testing"

	"bayfill/bridge"
	"bayfill/bridge/audit"
)

// A history that is away beyond the journal's limit costs readings between jobs,
// which are counted and told; every job is still whole, in the journal and in the
// history.
func TestJournalAtItsLimit(t *testing.T) {
	played := bridge.PlayAtTheLimit(t)
	store, err := audit.OpenStore(played.Config.History)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	if len(played.Jobs) == 0 {
		t.Fatal("no jobs")
	}
	for _, job := range played.Jobs {
		for _, from := range []string{"history", "journal"} {
			var record *audit.Record
			if from == "history" {
				record, err = store.Record(t.Context(), job, 0)
			} else {
				record, err = audit.FromJournal(t.Context(), played.Config.JournalPath("cart"), "test", "cart", job, 0)
			}
			if err != nil {
				t.Fatal(err)
			}
			if report := audit.Check(record); !report.SameAndComplete() || report.Events < 500 || report.Published < 50 {
				t.Errorf("%s of %s: %d events, %d messages: %+v", job, from, report.Events, report.Published, report.Findings)
			}
		}
	}
}
