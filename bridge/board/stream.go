package board

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"time"

	"bayfill/bridge/door"
	"bayfill/fillcalc"
)

const (
	// beat is the max time between two updates, since ages and countdowns change. A page
	// that receives nothing for three seconds shows that it has no connection.
	beat = time.Second
	// pause joins messages that arrive together into one update.
	pause = 40 * time.Millisecond
	// gather is how long the messages of one change take to arrive: job, volumes and window.
	// A page made from the first alone would offer the answers of no phase.
	gather = 15 * time.Millisecond
	// writeWithin is the time limit for writing to a browser.
	writeWithin = 10 * time.Second
	// bodyWithin is the time limit for the body of a request.
	bodyWithin = 5 * time.Second
)

// update is one server-sent event: the pieces of the page that have changed.
type update struct {
	Board  string            `json:"board"` // the run's token; a page of an earlier run reloads
	Pieces map[string]string `json:"pieces"`
	Tone   fillcalc.Tone     `json:"tone"`
}

// The pieces of each page, by the ids of their elements, which are also the names of
// their templates.
var (
	cartPieces     = []string{"bar", "band", "stage", "caution", "answers", "dialogs"}
	overviewPieces = []string{"carts"}
)

func (b *Board) cartEvents(w http.ResponseWriter, r *http.Request) {
	reader := b.reader(r)
	if shop, _, found := strings.Cut(r.PathValue("key"), "/"); found {
		defer b.client.watch(shop)()
	}
	b.stream(w, r, cartPieces, func(now time.Time) (any, fillcalc.Tone, <-chan struct{}) {
		s, changed := b.hub.look(reader, r.PathValue("key"), b.config.MayCommand, now)
		return s, s.Tone, changed
	})
}

func (b *Board) overviewEvents(w http.ResponseWriter, r *http.Request) {
	reader := b.reader(r)
	b.stream(w, r, overviewPieces, func(now time.Time) (any, fillcalc.Tone, <-chan struct{}) {
		return b.hub.lookAll(reader, "", now), "", nil
	})
}

// stream sends the pieces that have changed, as they change, until the browser closes the
// connection. look returns the data of the templates, the tone to sound, and a channel
// that is closed at the next change.
func (b *Board) stream(w http.ResponseWriter, r *http.Request, names []string, look func(now time.Time) (any, fillcalc.Tone, <-chan struct{})) {
	if c, ok := r.Context().Value(connKey{}).(net.Conn); ok {
		if err := door.Stay(c); err != nil {
			http.Error(w, err.Error(), http.StatusServiceUnavailable)
			return
		}
	}
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	beats := time.NewTicker(beat)
	defer beats.Stop()
	sent := map[string]string{}
	for {
		data, tone, changed := look(time.Now())
		pieces, err := draw(names, data)
		if err != nil {
			return // a template fails only by a mistake in it, and the tests execute all of them
		}
		u := update{Board: b.token, Pieces: map[string]string{}, Tone: tone}
		for name, html := range pieces {
			// At first all pieces are sent, empty ones too, because the page may be older.
			if before, was := sent[name]; !was || html != before {
				sent[name], u.Pieces[name] = html, html
			}
		}
		text, err := json.Marshal(u)
		if err != nil {
			return
		}
		out.SetWriteDeadline(time.Now().Add(writeWithin))
		if _, err := fmt.Fprintf(w, "data: %s\n\n", text); err != nil || out.Flush() != nil {
			return
		}
		if !rest(r.Context(), pause) {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-beats.C:
		case <-changed:
			if !rest(r.Context(), gather) {
				return
			}
		}
	}
}

// draw returns the HTML of pieces of a page.
func draw(names []string, data any) (map[string]string, error) {
	pieces := map[string]string{}
	for _, name := range names {
		var piece bytes.Buffer
		if err := pages().ExecuteTemplate(&piece, name, data); err != nil {
			return nil, err
		}
		pieces[name] = string(withoutBidi(piece.Bytes()))
	}
	return pieces, nil
}

// rest waits for a while; it reports false as soon as ctx ends.
func rest(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}
