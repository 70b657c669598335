package bridgetest

import (
	"encoding/json"
	"net/http"
	"net/url"
)

// Count returns how many points of a measurement the server holds, by reading them.
func (i *Influx) Count(measurement string) int { return len(i.Rows(measurement)) }

// RoundTrip is a function that serves as an HTTP transport.
type RoundTrip func(*http.Request) (*http.Response, error)

// RoundTrip calls f.
func (f RoundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

// Points returns the same by the server's own count, which is faster.
func (i *Influx) Points(measurement string) int {
	i.T.Helper()
	r, err := http.PostForm(i.URL+"/query", url.Values{"db": {"bayfill"}, "q": {"SELECT count(seq) FROM " + measurement}})
	if err != nil {
		i.T.Fatal(err)
	}
	defer r.Body.Close()
	var answer struct {
		Results []struct {
			Series []struct{ Values [][]any }
		}
	}
	if err := json.NewDecoder(r.Body).Decode(&answer); err != nil {
		i.T.Fatal(err)
	}
	if len(answer.Results) == 0 || len(answer.Results[0].Series) == 0 {
		return 0
	}
	return int(answer.Results[0].Series[0].Values[0][1].(float64))
}
