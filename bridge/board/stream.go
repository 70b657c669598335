package board

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"time"
)

const (
	// beat is how often a page hears something: ages and countdowns move, and a page
	// that hears nothing for three seconds says so itself.
	beat = time.Second
	// pause lets what comes together go out together.
	pause = 40 * time.Millisecond
	// writeWithin is how long a browser may take to accept something.
	writeWithin = 10 * time.Second
)

// update is one server-sent event: the pieces of the page that have changed.
type update struct {
	Board  string            `json:"board"` // a page of an earlier run loads itself again
	Pieces map[string]string `json:"pieces"`
	Signal string            `json:"signal"`
}

// pieces of each page by the ids of their elements, which are also the names of
// their templates.
var (
	cartPieces     = []string{"standing", "phases", "trouble", "next", "volumes", "window", "trend", "cautions", "alerts", "actions"}
	overviewPieces = []string{"carts"}
)

func (b *Board) cartEvents(w http.ResponseWriter, r *http.Request) {
	b.stream(w, r, cartPieces, func(now time.Time) (any, string, <-chan struct{}) {
		v, changed := b.hub.look(r.PathValue("key"), b.config.MayCommand, now)
		return v, v.Window.Signal, changed
	})
}

func (b *Board) overviewEvents(w http.ResponseWriter, r *http.Request) {
	b.stream(w, r, overviewPieces, func(now time.Time) (any, string, <-chan struct{}) {
		return b.hub.lookAll(now), "", nil
	})
}

// stream sends what has changed, as it changes, until the browser goes. look
// gives what to show, the sounded signal, and a channel that is closed at the
// next change.
func (b *Board) stream(w http.ResponseWriter, r *http.Request, names []string, look func(now time.Time) (any, string, <-chan struct{})) {
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	beats := time.NewTicker(beat)
	defer beats.Stop()
	sent := map[string]string{}
	for {
		data, signal, changed := look(time.Now())
		u := update{Board: b.token, Pieces: map[string]string{}, Signal: signal}
		for _, name := range names {
			var piece bytes.Buffer
			if err := pages.ExecuteTemplate(&piece, name, data); err != nil {
				return // a template that fails is a defect, which the tests of all pieces show
			}
			// The first time all of them, the empty ones too: the page may be older.
			html := string(straight(piece.Bytes()))
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
		select {
		case <-r.Context().Done():
			return
		case <-time.After(pause):
		}
		select {
		case <-r.Context().Done():
			return
		case <-changed:
		case <-beats.C:
		}
	}
}
