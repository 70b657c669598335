package audit

import (
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
)

// storeOf opens the history on a real server.
func storeOf(t testing.TB, server *bridgetest.Influx) *Store {
	t.Helper()
	s, err := OpenStore(config.History{URL: server.URL, Bucket: "bayfill/autogen"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}
