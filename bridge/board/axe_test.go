package board

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
)

// axe-core knows the rules of WCAG 2.2 and good practice beyond them. It finds nothing in any
// state, on a screen on the wall in a bright bay and on a phone in a dark one. By hand:
// npm install -g axe-core@4.14.1
func TestAxe(t *testing.T) {
	out, err := bridgetest.Node(t, "axe-core")("-p", `require.resolve("axe-core/axe.min.js")`).Output()
	if err != nil {
		t.Fatal(err)
	}
	axe, err := os.ReadFile(strings.TrimSpace(string(out)))
	if err != nil {
		t.Fatal(err)
	}
	tab := chromium.Tab(t)
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	look := func(what, path, first string) {
		t.Helper()
		do(t, tab, chromedp.Navigate(server.URL+path))
		script[chromedp.Void](t, tab, first+`;undefined`)
		script[chromedp.Void](t, tab, string(axe)+`;undefined`)
		script[chromedp.Void](t, tab, `axe.run().then((r) => { window.found = r.violations.flatMap((v) => v.nodes.map((n) => v.id + ": " + n.target.join(" ") + " " + n.any.concat(n.all).map((c) => c.message).join("; "))) }); undefined`)
		seen(t, tab, "what axe finds", `window.found !== undefined`)
		for _, wrong := range script[[]string](t, tab, `window.found`) {
			t.Errorf("%s: %s", what, wrong)
		}
	}
	for scheme, width := range map[string]int64{"light": 1366, "dark": 390} {
		prefer(t, tab, scheme)
		do(t, tab, chromedp.EmulateViewport(width, 844))
		for _, s := range states() {
			now := time.Now()
			s.hear(b, now)
			look(s.name+", "+scheme, "/cart/bay2", "")
			look(s.name+", dialogs, "+scheme, "/cart/bay2", `dialogs.showModal(); dialogs.querySelectorAll("section").forEach((d) => d.hidden = false)`)
		}
		look("overview, "+scheme, "/?all", "")
	}
}
