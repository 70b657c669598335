package audittest

import (
	"testing"

	"bayfill/bridge/config"
	"bayfill/bridge/history"
)

// Forward sends a cart's whole journal to the configured history.
func Forward(t testing.TB, config *config.Config, cart string) {
	t.Helper()
	if done, err := history.Fill(t.Context(), config.History, config.Shop, cart, config.JournalPath(cart), func(history.Filled) {}); err != nil || len(done.Refused) > 0 {
		t.Fatalf("%+v, %v", done, err)
	}
}
