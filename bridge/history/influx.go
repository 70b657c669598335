package history

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"bayfill/bridge/build"
	"bayfill/bridge/config"
)

// Client is the connection to InfluxDB that all carts share. Its methods may be called
// from several goroutines.
//
// It is our own and not that of InfluxDB's library, which takes any answer from 200 to
// 299 for success, follows redirects, and drops the text of an answer whose form it does
// not know.
type Client struct {
	write, ping, health string // addresses
	token               string
	http                *http.Client

	turn chan struct{} // holds the request under way

	mu       sync.Mutex
	next     *joint            // what the next request takes along; nil: nothing yet
	verified map[net.Conn]bool // connections behind which InfluxDB has answered a ping
}

// maxAnswer is how many bytes of an answer are read, and maxShown how many are shown.
const (
	maxAnswer = 1 << 20
	maxShown  = 300
)

// NewHistory makes a client that uses a given HTTP client.
func NewHistory(c config.History, token string, httpClient *http.Client) *Client {
	own := *httpClient
	// A login page of a network answers with a redirect: following it would end at a page
	// that says 200.
	own.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	base := strings.TrimSuffix(c.URL, "/")
	q := url.Values{"org": {c.Org}, "bucket": {c.Bucket}, "precision": {"ns"}}
	return &Client{write: base + "/api/v2/write?" + q.Encode(), ping: base + "/ping", health: base + "/health", token: token, http: &own, turn: make(chan struct{}, 1), verified: map[net.Conn]bool{}}
}

// Close ends the client's idle connections.
func (h *Client) Close() { h.http.CloseIdleConnections() }

// post writes lines with one request. The error is an [answer], or says why there is none.
func (h *Client) post(ctx context.Context, lines []string) error {
	a, err := h.do(ctx, http.MethodPost, h.write, strings.Join(lines, "\n"))
	switch {
	case err != nil:
		return err
	case a.status != http.StatusNoContent:
		return a
	case a.fromInflux() || h.answersPing(ctx, a.conn):
		return nil
	}
	a.stranger = true
	return a
}

// do sends a request and reads its answer.
func (h *Client) do(ctx context.Context, method, address, body string) (*answer, error) {
	var a answer
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{GotConn: func(info httptrace.GotConnInfo) { a.conn = info.Conn }})
	r, err := http.NewRequestWithContext(ctx, method, address, strings.NewReader(body))
	if err != nil {
		return nil, err
	}
	if h.token != "" {
		r.Header.Set("Authorization", "Token "+h.token)
	}
	r.Header.Set("User-Agent", "bayfill/"+build.Version)
	response, err := h.http.Do(r)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(io.LimitReader(response.Body, maxAnswer))
	if err != nil {
		return nil, err
	}
	a.status, a.header, a.text = response.StatusCode, response.Header, text
	return &a, nil
}

// answersPing reports whether InfluxDB is behind a connection. Version 3 does not name
// itself when it has written something. A connection is asked once.
func (h *Client) answersPing(ctx context.Context, c net.Conn) bool {
	h.mu.Lock()
	known := h.verified[c]
	h.mu.Unlock()
	if known || c == nil {
		return known
	}
	for _, address := range []string{h.ping, h.health} {
		a, err := h.do(ctx, http.MethodGet, address, "")
		if err != nil || a.conn != c || !a.fromInflux() && !a.namesInflux() {
			continue
		}
		h.mu.Lock()
		if len(h.verified) >= 64 { // of connections that have ended since
			clear(h.verified)
		}
		h.verified[c] = true
		h.mu.Unlock()
		return true
	}
	return false
}

// answer is what the server has answered. As an error it means that not everything is
// written.
type answer struct {
	status   int
	header   http.Header
	text     []byte
	conn     net.Conn
	stranger bool // nothing says that this is InfluxDB
}

// content is the JSON of an answer: of version 1 (error), 2 (code, message) and 3 (error,
// data).
type content struct {
	Code    string          `json:"code"`
	Message string          `json:"message"`
	Error   string          `json:"error"`
	Data    json.RawMessage `json:"data"`
	Name    string          `json:"name"`
	Version string          `json:"version"`
}

func (a *answer) content() (c content) {
	if json.Unmarshal(a.text, &c) != nil {
		return content{}
	}
	return c
}

// badLine is a line that version 3 names in its answer.
type badLine struct {
	Reason string `json:"error_message"`
	Number int    `json:"line_number"` // from 1
	Line   string `json:"original_line"`
}

// badLines returns the lines that an answer names: version 3 sends a list, or one line
// when it has written nothing.
func (a *answer) badLines() (bad []badLine) {
	data := a.content().Data
	if json.Unmarshal(data, &bad) == nil {
		return bad
	}
	var one badLine
	if json.Unmarshal(data, &one) == nil && one.Number > 0 {
		return []badLine{one}
	}
	return nil
}

// fromInflux reports whether an answer comes from InfluxDB. Versions 1 and 2 name
// themselves in a header, 2 also by the code of an error (from the list in its API
// description), 3 by the lines that it refuses. JSON of other servers has neither.
func (a *answer) fromInflux() bool {
	if a.header.Get("X-Influxdb-Version") != "" || a.header.Get("X-Influxdb-Build") != "" || a.header.Get("X-Influxdb-Error") != "" {
		return true
	}
	switch a.content().Code {
	case "invalid", "unprocessable entity", "request too large":
		return true
	}
	return len(a.badLines()) > 0
}

// namesInflux reports whether the answer to a ping names InfluxDB in its text: version 3
// answers with its version, /health of versions 1 and 2 with a name.
func (a *answer) namesInflux() bool {
	c := a.content()
	return a.status == http.StatusOK && (c.Name == "influxdb" || c.Version != "" && strings.Contains(string(a.text), `"process_id"`))
}

// Error is the server's own text.
func (a *answer) Error() string {
	c := a.content()
	text := ""
	switch {
	case c.Message != "" && c.Code != "":
		text = c.Code + ": " + c.Message
	case c.Message != "":
		text = c.Message
	case c.Error != "":
		text = c.Error
		for _, b := range a.badLines() {
			text += fmt.Sprintf("; line %d: %s", b.Number, b.Reason)
		}
	case len(a.text) > 0:
		text = string(a.text)
	default:
		text = a.header.Get("X-Influxdb-Error")
	}
	if text = strings.Join(strings.Fields(text), " "); len(text) > maxShown {
		text = strings.ToValidUTF8(text[:maxShown], "") + "…"
	}
	if text == "" || !utf8.ValidString(text) {
		text = http.StatusText(a.status)
	}
	return text
}

// retryAfter returns how long the server asks to wait, ten minutes at most.
func retryAfter(err error) time.Duration {
	var a *answer
	if !errors.As(err, &a) {
		return 0
	}
	seconds, err := strconv.ParseUint(a.header.Get("Retry-After"), 10, 32)
	if err != nil {
		return 0
	}
	return min(time.Duration(seconds)*time.Second, 10*time.Minute)
}
