package history

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/words"
)

// Open makes a client for so many carts. It does not connect yet. The error names the
// field of the configuration.
func Open(c config.History, carts int) (*Client, error) {
	token, err := c.Token.Read()
	if err != nil {
		return nil, fmt.Errorf("history.token: %w", err)
	}
	// Few connections are enough.
	httpClient := &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{
		Proxy: http.ProxyFromEnvironment, MaxConnsPerHost: min(carts, 8), MaxIdleConnsPerHost: min(carts, 8), IdleConnTimeout: 90 * time.Second,
	}}
	return NewHistory(c, token, httpClient), nil
}

// Check tries everything that writing needs, without changing the history: it sends a
// comment. The error says what an operator can do.
func Check(ctx context.Context, c config.History) error {
	h, err := Open(c, 1)
	if err != nil {
		return err
	}
	defer h.Close()
	// A server that refuses the batch only because it holds no point passes too.
	if _, err := h.Send(ctx, []string{"# bayfill doctor"}); err != nil {
		return explain(serverError{err})
	}
	return nil
}

// Version asks a server for its version; empty: it does not say. InfluxDB 1 and 2 answer
// /ping without a body and with a header (1.8: HTTP API, "ping"; 2: API description,
// GetPing); 3 Core names itself there too (from memory, not run here).
func Version(ctx context.Context, c config.History) (string, error) {
	token, err := c.Token.Read()
	if err != nil {
		return "", fmt.Errorf("history.token: %w", err)
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(c.URL, "/")+"/ping", nil)
	if err != nil {
		return "", err
	}
	if token != "" { // 3 Core asks for it here too
		r.Header.Set("Authorization", "Token "+token)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return "", err
	}
	answer.Body.Close()
	return strings.TrimPrefix(answer.Header.Get("X-Influxdb-Version"), "v"), nil
}

// Send writes lines in order. When it returns nil, every line is in the history or, with
// the server's reason, in refused. An error means that the server accepts nothing now:
// the same lines can be sent again.
func (h *Client) Send(ctx context.Context, lines []string) (refused []journal.Refused, err error) {
	if len(lines) == 0 {
		return nil, nil
	}
	shared, err := h.together(ctx, lines)
	if shared && (blamesData(err) || tooLarge(err)) {
		err = h.post(ctx, lines) // whose lines it was
	}
	if err == nil {
		return nil, nil
	}
	bad := blamesData(err)
	if !bad && (len(lines) == 1 || !tooLarge(err)) {
		return nil, err
	}
	if len(lines) == 1 {
		return []journal.Refused{{Line: lines[0], Reason: err.Error()}}, nil
	}
	if named, rest := namedLines(err, lines); len(named) > 0 {
		// What was written is written twice, which changes nothing: a point replaces one of
		// the same series and time.
		more, err := h.Send(ctx, rest)
		return append(named, more...), err
	}
	// Either at least one line is bad and the answer does not say which, or the batch is
	// too large. Both are solved by halving the batch.
	half := len(lines) / 2
	refused, err = h.Send(ctx, lines[:half])
	if err != nil {
		return nil, err
	}
	more, err := h.Send(ctx, lines[half:])
	if err != nil {
		return nil, err
	}
	return append(refused, more...), nil
}

// SendAll writes lines that this program has written before. The error says what to do; a line
// that the server refuses is an error too.
func (h *Client) SendAll(ctx context.Context, lines []string) error {
	refused, err := h.Send(ctx, lines)
	if err != nil {
		return explain(serverError{err})
	}
	if len(refused) > 0 {
		return words.NewError("influx.points", "count", len(refused), "of", len(lines), "why", errors.New(refused[0].Reason))
	}
	return nil
}

// namedLines separates the lines that an answer names as bad from the others. A number
// counts only when the line beside it is the one that was sent: it may be shortened.
func namedLines(err error, lines []string) (named []journal.Refused, rest []string) {
	var a *answer
	if !errors.As(err, &a) {
		return nil, lines
	}
	reasons := map[int]string{}
	for _, b := range a.badLines() {
		if n := b.Number - 1; n >= 0 && n < len(lines) && b.Line != "" && strings.HasPrefix(lines[n], strings.TrimRight(b.Line, ".…")) {
			reasons[n] = b.Reason
		}
	}
	for n, line := range lines {
		if reason, bad := reasons[n]; bad {
			named = append(named, journal.Refused{Line: line, Reason: reason})
		} else {
			rest = append(rest, line)
		}
	}
	return named, rest
}

// blamesData reports whether an answer refuses the data for good, so that repeating the
// request is useless. Only answers that InfluxDB itself gives count: a proxy's error
// page must not make dead letters of readings.
func blamesData(err error) bool {
	var a *answer
	if !errors.As(err, &a) {
		return false
	}
	switch a.status {
	case http.StatusBadRequest, http.StatusUnprocessableEntity, http.StatusRequestEntityTooLarge:
		return a.fromInflux()
	}
	return false
}

// tooLarge reports whether a smaller batch may pass, whichever server answered. When a
// single line is too large, only InfluxDB's own answer refuses it for good: a proxy's
// limit can be raised, and until then the line waits in the journal.
func tooLarge(err error) bool {
	var a *answer
	return errors.As(err, &a) && a.status == http.StatusRequestEntityTooLarge
}

// serverError is an error answer of the history server, or a missing answer. The other
// errors of a forwarder come from the journal.
type serverError struct{ error }

func (e serverError) Unwrap() error { return e.error }

// explain returns what is wrong and what an operator can do about it.
func explain(err error) error {
	if !errors.As(err, new(serverError)) {
		return words.NewError("influx.journal", "why", err, "remedy", journal.Remedy(err))
	}
	var a *answer
	if !errors.As(err, &a) {
		return words.NewError("influx.no_answer", "why", err)
	}
	key := "influx.answers"
	switch {
	case a.stranger || a.status < 400:
		key = "influx.stranger"
	case a.status == http.StatusUnauthorized || a.status == http.StatusForbidden:
		key = "influx.token"
	case a.status == http.StatusNotFound:
		key = "influx.bucket"
	case strings.Contains(a.Error(), "retention policy not found"):
		key = "influx.retention"
	case tooLarge(err):
		key = "influx.too_large"
	}
	return words.NewError(key, "status", a.status, "why", a)
}

// Forwarder sends a cart's journal to the history, in order. It moves the journal's mark
// only after the server has acknowledged.
type Forwarder struct {
	Shop, Cart string
	Journal    *journal.Journal
	Client     *Client
	// Report is called after each batch with what is wrong (empty: nothing) and how many
	// of its lines were refused for good.
	Report func(trouble string, refused int)
	Grown  <-chan struct{} // receives when the journal has grown
	Log    *slog.Logger

	selected Selection     // up to the mark
	SentSeq  atomic.Uint64 // the journal's mark, for metrics
}

const (
	forwardBatch = 1000 // events
	firstBackoff = time.Second
	maxBackoff   = time.Minute
	// catchUpPause bounds how fast a cart catches up to about 20,000 events a second,
	// because it shares the network and the disk.
	catchUpPause = 50 * time.Millisecond
	// forwardEvery is how often something new is sent: by all carts at the same moments, so
	// that they share a request.
	forwardEvery = 5 * time.Second
)

// NewForwarder makes a forwarder that begins at the journal's mark.
func NewForwarder(shop, cart string, between config.BetweenJobs, journal *journal.Journal, history *Client, grown <-chan struct{}, report func(trouble string, refused int), log *slog.Logger) (*Forwarder, error) {
	sent, inJob, err := journal.Sent()
	if err != nil {
		return nil, err
	}
	f := &Forwarder{selected: Selection{Between: between, InJob: inJob}, Shop: shop, Cart: cart, Journal: journal, Client: history, Report: report, Grown: grown, Log: log}
	f.SentSeq.Store(sent)
	return f, nil
}

// Run forwards until ctx ends. After a failure it waits for a random time around the
// backoff, which doubles from one second to one minute, or for as long as the server
// asks, ten minutes at most.
func (f *Forwarder) Run(ctx context.Context) {
	backoff := firstBackoff
	for ctx.Err() == nil {
		sent, refused, err := f.Once(ctx)
		grown, wait := f.Grown, maxBackoff
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			f.Report(explain(err).Error(), 0)
			grown = nil // new events wait for the backoff too
			wait = backoff/2 + rand.N(backoff)
			if after := retryAfter(err); after > wait {
				wait = after
			}
			backoff = min(2*backoff, maxBackoff)
		default:
			f.Report("", refused)
			backoff = firstBackoff
			if sent == forwardBatch {
				grown, wait = nil, catchUpPause
			}
		}
		select {
		case <-ctx.Done():
		case <-grown:
			now := time.Now()
			select {
			case <-ctx.Done():
			case <-time.After(now.Truncate(forwardEvery).Add(forwardEvery).Sub(now)):
			}
		case <-time.After(wait):
		}
	}
}

// Once forwards one batch. It returns how many events the batch held and how many of its
// lines were refused for good.
func (f *Forwarder) Once(ctx context.Context) (events, refused int, err error) {
	mark, _, err := f.Journal.Sent()
	if err != nil {
		return 0, 0, err
	}
	selected := f.selected.clone() // the batch may have to be sent again
	// Without an end: a short read, and one that can be cancelled costs a goroutine.
	batch, lines, err := Lines(context.WithoutCancel(ctx), f.Journal, f.Shop, f.Cart, mark, forwardBatch, &selected)
	if err != nil || len(batch) == 0 {
		return 0, 0, err
	}
	bad, err := f.Client.Send(ctx, lines)
	if err != nil {
		return 0, 0, serverError{err}
	}
	for _, r := range bad {
		f.Log.Error("history refused a line for good, the journal keeps it as a dead letter", "line", r.Line, "reason", r.Reason)
	}
	upTo := batch[len(batch)-1].Seq
	if err := f.Journal.SetSent(ctx, upTo, selected.InJob, bad); err != nil {
		return len(batch), len(bad), err
	}
	f.selected = selected
	f.SentSeq.Store(upTo)
	return len(batch), len(bad), nil
}
