package attack

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/journal"
)

var onHistory = []attack{
	{does: "a login page answers in the history's place",
		holds: "nothing counts as written, an alert says what answers", try: loginPage},
	{does: "something else answers 204",
		holds: "nothing counts as written until InfluxDB has answered on that connection", try: strangers},
	{does: "InfluxDB 3 refuses lines of a batch",
		holds: "the lines that it names are set aside with its text, all others are written", try: partialWrite},
	{does: "a proxy's error page, a gateway's JSON, overload, a wrong token, for a day",
		holds: "nothing is set aside, and everything arrives once", by: "bridge/history.TestHistoryAwayForADay"},
	{does: "a bad line in a batch for InfluxDB 1.8",
		holds: "it alone is set aside", by: "bridge/history.TestOneBadLineHarmsNoOther"},
	{does: "a job's name is an expression of the query language",
		holds: "it is a text in every query", by: "bridge/influxql.TestQueriesAreBuiltFromValues"},
	{does: "the history's answer to an audit is cut, or is another's",
		holds: "it is an error, never a shorter record", by: "bridge/influxql.TestAnswersAreWholeOrAnError"},
	{does: "a point holds fields and tags beyond the contract, or a field in another type",
		holds: "each comes back, as what it is", by: "bridge/influxql.TestValuesComeBackFromInflux"},
	{does: "a text field begins with = + - @ or a tab, for a spreadsheet",
		holds: "it is a text there", by: "bridge/audit.TestCellsAreHarmless"},
}

// forward sends three events to a server, and returns the journal's mark and what the
// operator is told.
func forward(t *testing.T, url string) (mark uint64, trouble string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "cart.journal")
	j := journaltest.Open(t, path)
	journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 3)})
	to := config.History{URL: url, Bucket: "b"}
	_, err := history.Fill(t.Context(), to, "test", "cart", path, func(history.Filled) {})
	h, openErr := history.Open(to, 1)
	if openErr != nil {
		t.Fatal(openErr)
	}
	defer h.Close()
	f := &history.Forwarder{Shop: "test", Cart: "cart", Journal: j, Client: h, Log: bridgetest.Log()}
	_, _, forwardErr := f.Once(t.Context())
	if (err == nil) != (forwardErr == nil) {
		t.Errorf("fill: %v, forwarder: %v", err, forwardErr)
	}
	if mark, _, openErr = j.Sent(); openErr != nil {
		t.Fatal(openErr)
	}
	if err != nil {
		trouble = err.Error()
	}
	return mark, trouble
}

func loginPage(t *testing.T) {
	portal := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/moved/api/v2/write":
			http.Redirect(w, r, "/login", http.StatusFound)
		default:
			w.Header().Set("Content-Type", "text/html")
			io.WriteString(w, "<html>Please log in</html>")
		}
	}))
	defer portal.Close()
	for _, path := range []string{"", "/moved"} {
		mark, trouble := forward(t, portal.URL+path)
		if mark != 0 || !strings.Contains(trouble, "is not InfluxDB") {
			t.Errorf("%s: the mark is at %d, trouble %q", path, mark, trouble)
		}
	}
}

func strangers(t *testing.T) {
	pings := 0
	for _, c := range []struct {
		name   string
		ping   func(w http.ResponseWriter)
		counts bool
	}{
		{"204 to everything", func(w http.ResponseWriter) { w.WriteHeader(204) }, false},
		{"a page as answer to the ping", func(w http.ResponseWriter) { io.WriteString(w, `{"version":"9"}`) }, false},
		{"InfluxDB 3", func(w http.ResponseWriter) {
			io.WriteString(w, `{"version":"3.0.1","revision":"abc","process_id":"b5b0"}`) // from its documentation
		}, true},
	} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			io.Copy(io.Discard, r.Body)
			switch r.URL.Path {
			case "/ping":
				pings++
				c.ping(w)
			default:
				w.WriteHeader(204)
			}
		}))
		mark, trouble := forward(t, server.URL)
		if counts := mark == 3; counts != c.counts || counts != (trouble == "") {
			t.Errorf("%s: the mark is at %d, trouble %q", c.name, mark, trouble)
		}
		pings = 0
		if h, err := history.Open(config.History{URL: server.URL, Bucket: "b"}, 1); err == nil && c.counts {
			for range 3 {
				h.Send(t.Context(), []string{"a b=1"})
			}
			h.Close()
			if pings != 1 {
				t.Errorf("%s: one connection was asked %d times", c.name, pings)
			}
		}
		server.Close()
	}
}

// partialWrite plays version 3 as its documentation describes the answer.
func partialWrite(t *testing.T) {
	type bad struct {
		Reason string `json:"error_message"`
		Number int    `json:"line_number"`
		Line   string `json:"original_line"`
	}
	for _, names := range []func(all []bad) any{
		func(all []bad) any { return all },
		func(all []bad) any { return all[0] },                                   // of many only the first, as when nothing is written
		func(all []bad) any { all[0].Line = all[0].Line[:4] + "…"; return all }, // shortened
		func(all []bad) any { all[0].Number += 2; return all },                  // another numbering
		func(all []bad) any { return nil },
	} {
		written := map[string]bool{}
		requests := 0
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			requests++
			if r.URL.Path == "/ping" {
				io.WriteString(w, `{"version":"3.0.1","revision":"abc","process_id":"b5b0"}`)
				return
			}
			body, _ := io.ReadAll(r.Body)
			var wrong []bad
			for n, line := range strings.Split(string(body), "\n") {
				if strings.HasPrefix(line, "bad") {
					wrong = append(wrong, bad{"invalid column type", n + 1, line})
				} else {
					written[line] = true
				}
			}
			if len(wrong) == 0 {
				w.WriteHeader(204)
				return
			}
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(400)
			data := names(wrong)
			if data == nil {
				data = []bad{{"", 0, ""}}
			}
			json.NewEncoder(w).Encode(map[string]any{"error": "partial write of line protocol occurred", "data": data})
		}))
		h, err := history.Open(config.History{URL: server.URL, Bucket: "b"}, 1)
		if err != nil {
			t.Fatal(err)
		}
		var lines []string
		for n := range 40 {
			lines = append(lines, fmt.Sprintf("%s,n=%d kg=1 %d", map[bool]string{true: "bad", false: "good"}[n%13 == 5], n, n))
		}
		refused, err := h.Send(t.Context(), lines)
		if err != nil || len(refused) != 3 || len(written) != 37 {
			t.Errorf("%v; %d refused, %d written", err, len(refused), len(written))
		}
		for _, r := range refused {
			if !slices.Contains(lines, r.Line) || !strings.HasPrefix(r.Line, "bad") || !strings.Contains(r.Reason, "invalid column type") && !strings.Contains(r.Reason, "partial write") {
				t.Errorf("refused %q: %q", r.Line, r.Reason)
			}
		}
		h.Close()
		server.Close()
	}
}
