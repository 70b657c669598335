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

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

// history is the connection to InfluxDB that all carts share.
type Client struct {
	client influxdb2.Client
	write  api.WriteAPIBlocking
}

func Open(c config.History, carts int) (*Client, error) {
	token, err := c.Token.Read()
	if err != nil {
		return nil, fmt.Errorf("history.token: %w", err)
	}
	// A few connections are plenty, and they count against the serial library's
	// limit on descriptors.
	httpClient := &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{
		Proxy: http.ProxyFromEnvironment, MaxConnsPerHost: min(carts, 8), MaxIdleConnsPerHost: min(carts, 8), IdleConnTimeout: 90 * time.Second,
	}}
	return NewHistory(c, token, httpClient), nil
}

// newHistory uses a given HTTP client.
func NewHistory(c config.History, token string, httpClient *http.Client) *Client {
	client := influxdb2.NewClientWithOptions(c.URL, token, influxdb2.DefaultOptions().SetHTTPClient(httpClient).SetLogLevel(0))
	return &Client{client, client.WriteAPIBlocking(c.Org, c.Bucket)}
}

// CheckHistory asks the server for all that writing takes, and changes nothing: it
// sends a comment. The error says what an operator can do.
func Check(ctx context.Context, c config.History) error {
	h, err := Open(c, 1)
	if err != nil {
		return err
	}
	defer h.Close()
	// That a server refuses a batch without a point is as good as taking it.
	if _, err := h.Send(ctx, []string{"# bayfill doctor"}); err != nil {
		return errors.New(explainHistory(serverError{err}))
	}
	return nil
}

func (h *Client) Close() { h.client.Close() }

// send writes lines in order. When it returns nil, every line is in the history
// or in refused, with the server's reason. An error means that the server does
// not take anything now: nothing is lost by sending the same lines again.
func (h *Client) Send(ctx context.Context, lines []string) (refused []journal.Refused, err error) {
	if len(lines) == 0 {
		return nil, nil
	}
	err = h.write.WriteRecord(ctx, lines...)
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
	// At least one line is bad, and the answer does not say which; or all are too
	// large together. Halving helps; the good ones are written again, which changes
	// nothing: a point with the same series and time replaces itself.
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

// blamesData tells an answer that no repetition will change from one that time
// or the operator may. Only a server that shows itself to be InfluxDB is believed:
// a proxy's error page must not make dead letters of readings.
func blamesData(err error) bool {
	var e *influxhttp.Error
	if !errors.As(err, &e) {
		return false
	}
	// Version 1.8 says who it is in its headers, version 2 also by the code in its
	// answer (the list in its API's description); others' JSON has no such code.
	speaks := e.Header.Get("X-Influxdb-Version") != "" || e.Header.Get("X-Influxdb-Error") != "" ||
		e.Code == "invalid" || e.Code == "unprocessable entity" || e.Code == "request too large"
	switch e.StatusCode {
	case http.StatusBadRequest, http.StatusUnprocessableEntity, http.StatusRequestEntityTooLarge:
		return speaks
	}
	return false
}

// tooLarge tells an answer that smaller batches may do away with, whoever gives
// it. Of a single line it is believed of InfluxDB only: a proxy's limit can be
// raised, and until then the journal keeps what waits.
func tooLarge(err error) bool {
	var e *influxhttp.Error
	return errors.As(err, &e) && e.StatusCode == http.StatusRequestEntityTooLarge
}

// serverError is what the history server answered, or that it did not; other
// errors of a forwarder are the journal's.
type serverError struct{ error }

func (e serverError) Unwrap() error { return e.error }

// explainHistory says what an operator can do about an answer.
func explainHistory(err error) string {
	if !errors.As(err, new(serverError)) {
		return fmt.Sprintf("the history waits for the journal: %v%s", err, journal.Remedy(err))
	}
	var e *influxhttp.Error
	if !errors.As(err, &e) || e.StatusCode == 0 {
		return fmt.Sprintf("history server does not answer: %v", err)
	}
	text := e.Error()
	switch {
	case e.StatusCode == http.StatusUnauthorized || e.StatusCode == http.StatusForbidden:
		return "history server refuses the token (for InfluxDB 1.8 it is user:password): " + text
	case e.StatusCode == http.StatusNotFound:
		return "history server knows no such bucket (for InfluxDB 1.8 it is database/retention): " + text
	case strings.Contains(text, "retention policy not found"):
		return "history server knows no such retention policy: " + text
	case tooLarge(err):
		return "something before the history server refuses even one line as too large: raise that proxy's limit: " + text
	}
	return fmt.Sprintf("history server answers %d: %s", e.StatusCode, text)
}

// forwarder sends a cart's journal to the history, in order, and moves the
// journal's mark only after the server has acknowledged.
type Forwarder struct {
	Shop, Cart string
	Journal    *journal.Journal
	Client     *Client
	// told hears about trouble (empty text: none) and lines refused for good.
	Told func(trouble string, refused int)
	More <-chan struct{} // the journal has grown
	Log  *slog.Logger

	SentSeq atomic.Uint64 // what the journal's mark says, for those who watch
}

const (
	forwardBatch = 1000
	firstBackoff = time.Second
	lastBackoff  = time.Minute
	// catchUpPause bounds how fast a cart catches up, to some 20,000 events a second:
	// the network and the disk are others' too.
	catchUpPause = 50 * time.Millisecond
)

// newForwarder goes on where the journal's mark stands.
func NewForwarder(shop, cart string, journal *journal.Journal, history *Client, more <-chan struct{}, told func(trouble string, refused int), log *slog.Logger) (*Forwarder, error) {
	sent, err := journal.Sent()
	if err != nil {
		return nil, err
	}
	f := &Forwarder{Shop: shop, Cart: cart, Journal: journal, Client: history, Told: told, More: more, Log: log}
	f.SentSeq.Store(sent)
	return f, nil
}

// run forwards until ctx ends.
func (f *Forwarder) Run(ctx context.Context) {
	backoff := firstBackoff
	for ctx.Err() == nil {
		sent, refused, err := f.Once(ctx)
		more, wait := f.More, lastBackoff
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			f.Told(explainHistory(err), 0)
			more = nil // what has come since waits too
			wait = backoff/2 + rand.N(backoff)
			if after := retryAfter(err); after > wait {
				wait = after
			}
			backoff = min(2*backoff, lastBackoff)
		default:
			f.Told("", refused)
			backoff = firstBackoff
			if sent == forwardBatch {
				more, wait = nil, catchUpPause
			}
		}
		select {
		case <-ctx.Done():
		case <-more:
		case <-time.After(wait):
		}
	}
}

func retryAfter(err error) time.Duration {
	var e *influxhttp.Error
	if errors.As(err, &e) {
		return min(time.Duration(e.RetryAfter)*time.Second, 10*time.Minute)
	}
	return 0
}

// once forwards one batch and returns how many events it held.
func (f *Forwarder) Once(ctx context.Context) (events, refused int, err error) {
	mark, err := f.Journal.Sent()
	if err != nil {
		return 0, 0, err
	}
	batch, lines, err := Lines(ctx, f.Journal, f.Shop, f.Cart, mark, forwardBatch)
	if err != nil || len(batch) == 0 {
		return 0, 0, err
	}
	bad, err := f.Client.Send(ctx, lines)
	if err != nil {
		return 0, 0, serverError{err}
	}
	for _, r := range bad {
		f.Log.Error("history refused a line for good, it is kept in the journal as a dead letter", "line", r.Line, "reason", r.Reason)
	}
	upTo := batch[len(batch)-1].Seq
	if err := f.Journal.SetSent(ctx, upTo, bad); err != nil {
		return len(batch), len(bad), err
	}
	f.SentSeq.Store(upTo)
	return len(batch), len(bad), nil
}
