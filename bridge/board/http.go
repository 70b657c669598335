package board

import (
	"bytes"
	"crypto/rand"
	"crypto/subtle"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"bayfill/bridge/door"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

//go:embed page
var pageFiles embed.FS

// pages are parsed when the first one is made: most commands make none.
var pages = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("").Funcs(template.FuncMap{
		"readers": func() []readerChoice { return readerChoices },
		"less":    func(a, b float64) float64 { return a - b },
	}).ParseFS(pageFiles, "page/*.html"))
})

func newBoard(config Config) *Board {
	shop := config.Shop
	if shop == "" {
		shop = "+"
	}
	if config.Log == nil {
		config.Log = slog.New(slog.DiscardHandler)
	}
	h := newHub(config.Shop != "", time.Now())
	return &Board{config: config, guesses: door.NewGuesses(), hub: h, token: rand.Text(), client: &client{
		endpoint: mqtt.Endpoint{
			URLs: config.Brokers, ClientID: "bayfill-board-" + rand.Text()[:12],
			Username: config.Username, Password: config.Password, TLS: config.TLS,
		},
		shop: shop, mayCommand: config.MayCommand, signer: config.Signer, replyWithin: replyWithin, hub: h, replies: map[string]chan wire.Reply{}, rewatch: make(chan struct{}, 1), watched: map[string]int{},
	}}
}

// handler returns everything that the board serves. Only press changes anything.
func (b *Board) handler() http.Handler {
	mux := http.NewServeMux()
	if b.config.Shop == "" {
		mux.HandleFunc("GET /{$}", b.index)
		mux.HandleFunc("GET /events", b.indexEvents)
		mux.HandleFunc("GET /shop/{shop}", b.shop)
		mux.HandleFunc("GET /shop-events/{shop}", b.shopEvents)
	} else {
		mux.HandleFunc("GET /{$}", b.overview)
		mux.HandleFunc("GET /events", b.overviewEvents)
	}
	mux.HandleFunc("GET /", b.noPage)
	mux.HandleFunc("GET /cart/{key...}", b.cart)
	mux.HandleFunc("GET /events/{key...}", b.cartEvents)
	mux.HandleFunc("GET /reader", b.setReader)
	mux.HandleFunc("POST /press/{key...}", b.press)
	mux.HandleFunc("GET /press/{key...}", b.press) // which refuses it
	for _, name := range []string{"board.css", "board.js", "icon.svg"} {
		mux.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", "no-cache")
			http.ServeFileFS(w, r, pageFiles, "page/"+name)
		})
	}
	// Requests that change something must come from a page of this board.
	return b.guard(http.NewCrossOriginProtection().Handler(mux))
}

// guard sets the security headers of every answer and checks host name and password.
func (b *Board) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		out := http.NewResponseController(w)
		out.SetWriteDeadline(time.Now().Add(writeWithin))
		if r.Body != http.NoBody {
			// Also when the answer comes before the body, since the server reads it all the same.
			out.SetReadDeadline(time.Now().Add(bodyWithin))
		}
		switch {
		case !b.knownName(r.Host):
			// A foreign page may let its own host name resolve to this address (DNS
			// rebinding), and would then have the same origin as the board.
			http.Error(w, r.Host+" is not a name of this board: use its address or the name of its computer", http.StatusMisdirectedRequest)
		case !b.knowsPassword(r):
			h.Set("Connection", "close")
			h.Set("WWW-Authenticate", `Basic realm="bayfill board", charset="UTF-8"`)
			http.Error(w, "the board needs its password", http.StatusUnauthorized)
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// knowsPassword reports whether a request has the page's password. A wrong one makes the
// next from the same address wait.
func (b *Board) knowsPassword(r *http.Request) bool {
	if b.config.PagePassword == "" {
		return true
	}
	_, password, given := r.BasicAuth()
	if !given {
		return false
	}
	address := door.Address(r.RemoteAddr)
	from := door.Origin{Address: address}
	if !b.guesses.Wait(from, r.Context().Done()) {
		return false
	}
	if subtle.ConstantTimeCompare([]byte(password), []byte(b.config.PagePassword)) == 1 {
		return true
	}
	n := b.guesses.Failed(from, false)
	b.config.Log.Warn("login refused", "address", address, "failures", n)
	return false
}

// knownName reports whether a request's host is an address or a name of this computer.
func (b *Board) knownName(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.Trim(host, "[]")
	return host == "localhost" || net.ParseIP(host) != nil || slices.Contains(b.config.Names, host)
}

// page is the data of the templates.
type page struct {
	Token, Board string
	MayCommand   bool
	Missing      string // why this page stands in the place of another, which does not exist
	Cart         screen
	Carts        overview
	Index        index
}

func (b *Board) show(w http.ResponseWriter, name string, p page) {
	p.Token, p.MayCommand = b.token, b.config.MayCommand
	var out bytes.Buffer
	if err := pages().ExecuteTemplate(&out, name, p); err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if p.Missing != "" {
		w.WriteHeader(http.StatusNotFound)
	}
	w.Write(withoutBidi(out.Bytes()))
}

// withoutBidi replaces the characters that control the direction of text. In a name they
// could reverse the page's own words.
func withoutBidi(html []byte) []byte {
	return bytes.Map(func(r rune) rune {
		if unicode.Is(unicode.Bidi_Control, r) {
			return unicode.ReplacementChar
		}
		return r
	}, html)
}

func (b *Board) overview(w http.ResponseWriter, r *http.Request) {
	if !b.toOnlyCart(w, r) {
		b.show(w, "overview.html", page{Carts: b.hub.lookAll(b.reader(r), "", time.Now())})
	}
}

// toOnlyCart leads who asks for nothing else to the only cart there is.
func (b *Board) toOnlyCart(w http.ResponseWriter, r *http.Request) bool {
	key, only := b.hub.onlyCart(time.Now())
	if !only || r.URL.RawQuery != "" {
		return false
	}
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, "/cart/"+key, http.StatusSeeOther)
	return true
}

// noPage answers for a page that does not exist with the carts or shops that there are.
func (b *Board) noPage(w http.ResponseWriter, r *http.Request) {
	reader, now := b.reader(r), time.Now()
	p := page{Missing: reader.Say(fillcalc.Text{Key: "bay.no_page", Names: map[string]string{"page": fmt.Sprintf("%.40s", r.URL.Path)}})}
	if b.config.Shop == "" {
		p.Index = b.hub.lookIndex(reader, "", now)
		b.show(w, "index.html", p)
		return
	}
	p.Carts = b.hub.lookAll(reader, "", now)
	b.show(w, "overview.html", p)
}

func (b *Board) cart(w http.ResponseWriter, r *http.Request) {
	s, _ := b.hub.look(b.reader(r), r.PathValue("key"), b.config.MayCommand, time.Now())
	b.show(w, "cart.html", page{Cart: s})
}

// press sends a button's command and answers with the cart's reply.
func (b *Board) press(w http.ResponseWriter, r *http.Request) {
	reader := b.reader(r)
	shop, cart := b.config.Shop, r.PathValue("key")
	if shop == "" {
		shop, cart, _ = strings.Cut(cart, "/")
	}
	switch {
	case r.Method != http.MethodPost:
		w.Header().Set("Allow", http.MethodPost)
		http.Error(w, "press a button of the page", http.StatusMethodNotAllowed)
		return
	case !b.config.MayCommand:
		http.Error(w, reader.Word("bay.press_read_only"), http.StatusForbidden)
		return
	case subtle.ConstantTimeCompare([]byte(r.Header.Get("X-Board-Token")), []byte(b.token)) != 1:
		http.Error(w, reader.Word("bay.press_token"), http.StatusForbidden)
		return
	case r.Header.Get("Content-Type") != "application/json":
		http.Error(w, "the content type must be application/json", http.StatusUnsupportedMediaType)
		return
	case !namePattern.MatchString(shop) || !namePattern.MatchString(cart):
		http.Error(w, reader.Word("bay.press_no_cart"), http.StatusNotFound)
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 1<<10))
	if errors.Is(err, os.ErrDeadlineExceeded) {
		http.Error(w, reader.Word("bay.press_late"), http.StatusRequestTimeout)
		return
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusRequestEntityTooLarge)
		return
	}
	p, err := wire.ParsePress(body)
	if err != nil {
		refused := wire.Refuse(err)
		http.Error(w, answered(reader, &refused, nil), http.StatusBadRequest)
		return
	}
	reply, err := b.client.command(r.Context(), shop, cart, p)
	answer := struct {
		OK     bool   `json:"ok"`
		Text   string `json:"text"`
		Insist bool   `json:"insist"` // the same command with a reason, why, is accepted
	}{reply.OK, answered(reader, &reply, err), reply.Insist}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	json.NewEncoder(w).Encode(answer)
}

// answered tells the person at a button what came of the press.
func answered(reader words.Reader, r *wire.Reply, err error) string {
	var refusal *fillcalc.Refusal
	switch {
	case errors.As(err, &refusal):
		return reader.Say(refusal.Text)
	case err != nil:
		return err.Error()
	case r.OK:
		return saved(reader, r.Understood)
	case r.Refused != nil && r.Refused.Names["field"] != "":
		return reader.Word("field."+r.Refused.Names["field"]) + ": " + r.Refused.For(reader)
	case r.Refused != nil:
		return r.Refused.For(reader)
	}
	return r.Error
}

// saved repeats what was typed, in both units, so that a slip is seen, and what an undo took
// back.
func saved(reader words.Reader, understood []wire.Understood) string {
	var typed []string
	for _, u := range understood {
		switch {
		case u.Field == "do":
			return reader.Say(fillcalc.Text{Key: "bay.taken_back", Names: map[string]string{"what": u.For(reader)}})
		case u.Names["written"] != "":
			typed = append(typed, u.For(reader))
		}
	}
	return strings.Join(append([]string{reader.Word("bay.saved")}, typed...), ", ")
}
