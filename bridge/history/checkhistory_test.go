package history

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
)

// Check tries everything that writing needs and leaves nothing in the history.
func TestCheck(t *testing.T) {
	server := bridgetest.StartInflux(t)
	answer := func(status int, body string) string {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(status)
			w.Write([]byte(body))
		}))
		t.Cleanup(s.Close)
		return s.URL
	}
	for _, c := range []struct{ name, url, bucket, want string }{
		{"good", server.URL, "bayfill/autogen", ""},
		{"no such database", server.URL, "none/autogen", "history server knows no such bucket"},
		{"nobody listens", "http://" + bridgetest.FreePort(t), "b", "history server does not answer"},
		{"wrong token", answer(http.StatusUnauthorized, `{"code":"unauthorized","message":"unauthorized access"}`), "b", "history server refuses the token"},
		// Version 2 checks token and bucket before it misses a point (its message is from
		// memory).
		{"a batch without a point", answer(http.StatusBadRequest, `{"code":"invalid","message":"writing requires points"}`), "b", ""},
		{"no InfluxDB", answer(http.StatusBadRequest, `{"message":"what?"}`), "b", "history server answers 400"},
	} {
		err := Check(t.Context(), config.History{URL: c.url, Bucket: c.bucket})
		if (err == nil) != (c.want == "") || err != nil && !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	for _, measurement := range []string{"bayfill_reading", "bayfill_input", "#", "# bayfill doctor"} {
		if n := server.Count(measurement); n != 0 {
			t.Errorf("%d points of %s", n, measurement)
		}
	}
}
