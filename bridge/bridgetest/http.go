package bridgetest

import (
	"net/http"
)

// RoundTrip is a function that serves as an HTTP transport.
type RoundTrip func(*http.Request) (*http.Response, error)

// RoundTrip calls f.
func (f RoundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }
