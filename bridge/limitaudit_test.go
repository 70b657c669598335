package bridge_test

import (
	"testing"

	"bayfill/bridge"
	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest/audittest"
)

// A history that is away beyond the journal's limit costs readings between jobs. They are
// counted, and alerts report them. Every job stays whole, in the journal and in the history.
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
	audittest.Provable(t, store, played.Config.JournalPath("cart"), "cart", played.Jobs, 500, 50)
}
