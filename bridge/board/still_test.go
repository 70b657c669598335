package board

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/words"
)

// still is a page of a cart that shows what a test gives it, at once: neither a broker nor a
// stream stands between them, so that hundreds of states are shown in seconds.
type still struct {
	testing.TB
	tab context.Context
	b   *Board
	url string
}

func newStill(t testing.TB) *still {
	t.Helper()
	tab := chromium.Tab(t)
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	p := &still{t, tab, b, server.URL}
	inject(t, tab, `window.EventSource = class { constructor() { window.stream = this; } close() {} }`)
	return p
}

// open loads the page in a language.
func (p *still) open(l words.Language) {
	p.Helper()
	do(p, p.tab, chromedp.Navigate(p.url+"/reader?lang="+string(l)+"&back=/cart/bay2"))
}

// update is what the stream would send a reader now, in JSON.
func (p *still) update(r words.Reader) string {
	p.Helper()
	s, _ := p.b.hub.look(r, "bay2", true, time.Now())
	pieces, err := draw(cartPieces, s)
	if err != nil {
		p.Fatal(err)
	}
	text, err := json.Marshal(update{p.b.token, pieces, s.Tone})
	if err != nil {
		p.Fatal(err)
	}
	return string(text)
}

// hear is a script that shows an update.
func hear(update string) string {
	return "stream.onmessage({data: JSON.stringify(" + update + ")});"
}

// shows lets the page show a state to a reader.
func (p *still) shows(s state, r words.Reader) {
	p.Helper()
	s.hear(p.b, time.Now())
	script[chromedp.Void](p, p.tab, hear(p.update(r))+"undefined")
}
