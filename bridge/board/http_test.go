package board

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// send sends a request and returns status, headers and body.
func send(t testing.TB, method, url, body string, headers map[string]string) (int, http.Header, string) {
	t.Helper()
	ctx, stop := context.WithTimeout(t.Context(), 10*time.Second)
	defer stop()
	r, err := http.NewRequestWithContext(ctx, method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for name, value := range headers {
		if name == "Host" {
			r.Host = value
		}
		r.Header.Set(name, value)
	}
	response, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, response.Header, string(text)
}

// The headers of every answer keep foreign content out of the page, and the page needs
// nothing that its policy forbids.
func TestHeaders(t *testing.T) {
	_, server := serve(t, Config{Shop: "hilltop"})
	for _, path := range []string{"/", "/cart/bay2", "/board.css", "/board.js", "/icon.svg", "/nothing"} {
		_, h, body := send(t, "GET", server.URL+path, "", nil)
		for name, want := range map[string]string{
			"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self';",
			"X-Content-Type-Options":  "nosniff", "Referrer-Policy": "no-referrer", "X-Frame-Options": "DENY",
		} {
			if !strings.HasPrefix(h.Get(name), want) {
				t.Errorf("%s: %s is %q", path, name, h.Get(name))
			}
		}
		for _, bad := range []string{"style=", " onclick", "<script>", "http://", "https://", "unsafe"} {
			if strings.Contains(strings.ReplaceAll(body, `xmlns="http://www.w3.org/2000/svg"`, ""), bad) {
				t.Errorf("%s holds %q", path, bad)
			}
		}
	}
}

// A command must come from a page of this run. Nothing else reaches a cart.
func TestPressIsGuarded(t *testing.T) {
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	press := `{"do":"phase","phase":"filling"}`
	good := map[string]string{"X-Board-Token": b.token, "Content-Type": "application/json", "Sec-Fetch-Site": "same-origin"}
	with := func(name, value string) map[string]string {
		h := map[string]string{}
		for n, v := range good {
			h[n] = v
		}
		h[name] = value
		return h
	}
	for _, c := range []struct {
		what    string
		method  string
		path    string
		body    string
		headers map[string]string
		want    int
		says    string
	}{
		{"a press", "POST", "/press/bay2", press, good, 200, "the broker is away"},
		{"by GET", "GET", "/press/bay2", press, good, 405, ""},
		{"without token", "POST", "/press/bay2", press, with("X-Board-Token", ""), 403, "token"},
		{"with another token", "POST", "/press/bay2", press, with("X-Board-Token", "ABC"), 403, "token"},
		{"from another site", "POST", "/press/bay2", press, with("Sec-Fetch-Site", "cross-site"), 403, ""},
		{"from another origin", "POST", "/press/bay2", press, map[string]string{"X-Board-Token": b.token, "Content-Type": "application/json", "Origin": "http://elsewhere.example"}, 403, ""},
		{"as a form", "POST", "/press/bay2", press, with("Content-Type", "text/plain"), 415, ""},
		{"under another name", "POST", "/press/bay2", press, with("Host", "elsewhere.example"), 421, "elsewhere.example"},
		{"to no cart", "POST", "/press/bay2/commands", press, good, 404, ""},
		{"to a pattern", "POST", "/press/%2B", press, good, 404, ""},
		{"of what has no button", "POST", "/press/bay2", `{"do":"baseline"}`, good, 400, ""},
		{"of another command", "POST", "/press/bay2", `{"do":"republish"}`, good, 400, "republish"},
		{"with an id of its own", "POST", "/press/bay2", `{"id":"a","do":"close"}`, good, 400, "id"},
		{"too long", "POST", "/press/bay2", `{"do":"phase","phase":"` + strings.Repeat("x", 2000) + `"}`, good, 413, ""},
	} {
		status, _, body := send(t, c.method, server.URL+c.path, c.body, c.headers)
		if status != c.want || !strings.Contains(body, c.says) {
			t.Errorf("%s: status %d: %s; want %d, %q", c.what, status, body, c.want, c.says)
		}
	}
	reader, readServer := serve(t, Config{Shop: "hilltop"})
	h := with("X-Board-Token", reader.token)
	if status, _, body := send(t, "POST", readServer.URL+"/press/bay2", press, h); status != 403 || !strings.Contains(body, "--may-command") {
		t.Errorf("a board that may only read: status %d: %s", status, body)
	}
	if _, _, body := send(t, "GET", readServer.URL+"/cart/bay2", "", nil); strings.Contains(body, "data-command") {
		t.Error("a board that may only read shows buttons")
	}
}

func TestPagePassword(t *testing.T) {
	_, server := serve(t, Config{PagePassword: "hoist 4"})
	for _, c := range []struct {
		path, authorization string
		want                int
	}{
		{"/", "", 401}, {"/events", "", 401}, {"/board.js", "", 401},
		{"/", "Basic YW55OndyZW5jaA==", 401}, // any:wrench
		{"/", "Basic YW55OmhvaXN0IDQ=", 200}, // any:hoist 4
	} {
		if status, _, _ := send(t, "GET", server.URL+c.path, "", map[string]string{"Authorization": c.authorization}); status != c.want {
			t.Errorf("%s with %q: status %d, want %d", c.path, c.authorization, status, c.want)
		}
	}
}

// Who opens the board of one cart is led to it, once the broker has sent all that it keeps; of
// several the overview is shown. A page that does not exist names those that do.
func TestWayToTheCart(t *testing.T) {
	for _, c := range []struct {
		shop  string
		carts []string
		want  string // where the page leads
	}{
		{"hilltop", nil, ""},
		{"hilltop", []string{"bay2"}, "/cart/bay2"},
		{"", []string{"bay2"}, "/cart/hilltop/bay2"},
		{"hilltop", []string{"bay1", "bay2"}, ""},
	} {
		b, server := serve(t, Config{Shop: c.shop})
		for _, cart := range c.carts {
			b.hub.receive("bayfill/hilltop/"+cart+"/presence", []byte(online("a", time.Now())), true, time.Now())
		}
		b.hub.linked(true, "", time.Now())
		if status, _, _ := send(t, "GET", server.URL+"/", "", nil); status != http.StatusOK {
			t.Errorf("%+v, before all is known: status %d", c, status)
		}
		b.hub.link.since = time.Now().Add(-2 * allKept)
		if _, h, _ := send(t, "GET", server.URL+"/", "", nil); h.Get("Location") != c.want {
			t.Errorf("%+v: leads to %q", c, h.Get("Location"))
		}
		if status, _, _ := send(t, "GET", server.URL+"/?all", "", nil); status != http.StatusOK {
			t.Errorf("%+v: all carts: status %d", c, status)
		}
		status, _, body := send(t, "GET", server.URL+"/bay%3Cb%3E2", "", nil)
		if status != http.StatusNotFound || !strings.Contains(body, "There is no page /bay&lt;b&gt;2 here") {
			t.Errorf("%+v: status %d: %s", c, status, body)
		}
		for _, cart := range c.carts {
			if link := `href="/cart/` + cart + `"`; c.shop != "" && !strings.Contains(body, link) {
				t.Errorf("%+v: no %s in %s", c, link, body)
			} else if c.shop == "" && !strings.Contains(body, `href="/shop/hilltop"`) {
				t.Errorf("%+v: no shop in %s", c, body)
			}
		}
	}
}

// Names and texts that people write are only text on the page, wherever they are shown.
func TestHostileText(t *testing.T) {
	// JSON with characters that change the direction of text, and a zero byte.
	evil := `<img src=x onerror=alert(1)>\"'</script><script>alert(1)</script>\u202e\u2066\u200f\u0000\u001b[2J` + strings.Repeat("W", 5000)
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	now := time.Now()
	b.hub.linked(true, "", now)
	hear := func(leaf, payload string) { b.hub.receive(bay2+leaf, []byte(payload), false, now) }
	hear("presence", online("a", now))
	hear("volumes", `{"job":"`+evil+`","phase":"draining","quality":"`+evil+`"}`)
	hear("window", `{"state":"`+evil+`","quality":"`+evil+`"}`)
	hear("alerts", `{"alerts":[{"text":"`+evil+`"}]}`)
	hear("job", `{"job":"`+evil+`","vehicle":"`+evil+`","phase":"draining","cautions":[{"text":"`+evil+`"}],
		"flow":{"next":[{"text":"`+evil+`","do":"answer"},{"text":"`+evil+`","do":"record","item":"`+evil+`"}],"gear":{"gear":"`+evil+`","left_s":5}},
		"plan":{"notes":[{"text":"`+evil+`"}]},"questions":[{"change":1,"at":"`+evil+`","sensor":"`+evil+`","kg":1,"l":null,"text":"`+evil+`","answers":["`+evil+`"]}]}`)
	b.hub.receive("bayfill/hilltop/<b>x/volumes", []byte(volumes("filling", 1, 1, 1)), false, now)
	page := follow(t, server.URL+"/events/bay2")
	bridgetest.Eventually(t, 5*time.Second, "the pieces", func() bool { return page.piece("stage") != "" })
	texts := map[string]string{}
	for _, name := range cartPieces {
		texts[name] = page.piece(name)
	}
	_, _, texts["the page"] = send(t, "GET", server.URL+"/cart/bay2", "", nil)
	_, _, texts["the overview"] = send(t, "GET", server.URL+"/?all", "", nil)
	_, _, texts["a cart of that name"] = send(t, "GET", server.URL+"/cart/%3Cimg%20src=x%20onerror=alert(1)%3E", "", nil)
	for name, text := range texts {
		if strings.Contains(text, "<img") || strings.Contains(text, "<b>x") {
			t.Errorf("%s: what was text has become markup: %s", name, text)
		}
		if strings.ContainsAny(text, "\u202e\u2066\u200f\x00") || strings.Count(text, "<script") > strings.Count(text, `<script type="module" src="/board.js">`) {
			t.Errorf("%s: what was text turns the direction of what follows, or is a script: %q", name, text)
		}
	}
	for _, name := range []string{"bar", "band", "stage", "caution", "answers", "dialogs", "the overview"} {
		if !strings.Contains(texts[name], "&lt;img src=x onerror=alert(1)&gt;") || !strings.Contains(texts[name], strings.Repeat("W", 200)) {
			t.Errorf("%s does not show the text: %s", name, texts[name])
		}
	}
}

// What an undo took back, and an amount that was typed, is repeated in the language and the units
// of whoever reads.
func TestReplyForItsReader(t *testing.T) {
	took := wire.Reply{OK: true, Understood: []wire.Understood{wire.TookBack(fillcalc.Text{Key: "undo.entry",
		Figures: map[string]float64{"entered_l": 0.946}, Names: map[string]string{"what": string(fillcalc.EnterSpilled)}}, units.Metric)}}
	command, err := wire.ParseCommand([]byte(`{"id":"1","do":"record","item":"torque","result":"done","applied":"97 in-lb","specified":10.96}`))
	if err != nil {
		t.Fatal(err)
	}
	typed := wire.Reply{OK: true, Understood: command.Understood(units.Metric)}
	for _, c := range []struct {
		reply    *wire.Reply
		language words.Language
		units    units.System
		want     string
	}{
		{&took, words.English, units.Metric, "Taken back: Spilled: 0.95 L"},
		{&took, words.Spanish, units.US, "Deshecho: Derramado: 1.00 qt"},
		{&typed, words.English, units.US, "saved, 11.0 N·m (97 in-lb)"},
		{&typed, words.Spanish, units.Metric, "guardado, 11.0 N·m (97 in-lb)"},
		{&wire.Reply{OK: true}, words.English, units.Metric, "saved"},
	} {
		if got := answered(words.Reader{Language: c.language, Units: c.units}, c.reply, nil); got != c.want {
			t.Errorf("%s, %s: %q, want %q", c.language, c.units, got, c.want)
		}
	}
}
