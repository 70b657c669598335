package history

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"bayfill/bridge/config"
)

// A server says which version it is, and that says whether an audit can read it.
func TestVersion(t *testing.T) {
	for answer, want := range map[string]struct {
		version string
		audits  bool
	}{"1.8.10": {"1.8.10", true}, "v2.7.6": {"2.7.6", true}, "3.2.1": {"3.2.1", false}, "": {"", true}} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path != "/ping" {
				t.Errorf("asked %s", r.URL)
			}
			w.Header().Set("X-Influxdb-Version", answer)
			w.WriteHeader(http.StatusNoContent)
		}))
		got, err := Version(t.Context(), config.History{URL: s.URL + "/"})
		s.Close()
		if err != nil || got != want.version || Audits(got) != want.audits {
			t.Errorf("%q: %q, %v, audits %v", answer, got, err, Audits(got))
		}
	}
}
