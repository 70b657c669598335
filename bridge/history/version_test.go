package history

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"bayfill/bridge/config"
)

// A server says which version it is.
func TestVersion(t *testing.T) {
	for answer, want := range map[string]string{"1.8.10": "1.8.10", "v2.7.6": "2.7.6", "3.2.1": "3.2.1", "": ""} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path != "/ping" {
				t.Errorf("asked %s", r.URL)
			}
			w.Header().Set("X-Influxdb-Version", answer)
			w.WriteHeader(http.StatusNoContent)
		}))
		got, err := Version(t.Context(), config.History{URL: s.URL + "/"})
		s.Close()
		if err != nil || got != want {
			t.Errorf("%q: %q, %v", answer, got, err)
		}
	}
}
