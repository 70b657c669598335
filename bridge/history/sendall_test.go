package history

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"bayfill/bridge/config"
)

// A page that answers everything, as a network's log-in page does, is no history: what is erased
// or kept would be lost without a word.
func TestOnlyInfluxTakesAll(t *testing.T) {
	portal := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("<html>Please log in</html>")) }))
	defer portal.Close()
	h, err := Open(config.History{URL: portal.URL, Bucket: "b"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if err := h.SendAll(t.Context(), []string{"bayfill_input seq=1i 1"}); err == nil || !strings.Contains(err.Error(), "is not InfluxDB") {
		t.Errorf("%v", err)
	}
}
