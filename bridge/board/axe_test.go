package board

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/words"
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
	p := newStill(t)
	looks := 0
	look := func(what, where, first string) {
		t.Helper()
		script[chromedp.Void](t, p.tab, first+`;axe.run(`+where+`, {resultTypes: ["violations"]}).then((r) => { window.found = {look: `+fmt.Sprint(looks)+`, wrong: r.violations.flatMap((v) => v.nodes.map((n) => v.id + ": " + n.target.join(" ") + " " + n.any.concat(n.all).map((c) => c.message).join("; ")))}; }); undefined`)
		seen(t, p.tab, "what axe finds", fmt.Sprintf(`window.found?.look === %d`, looks))
		for _, wrong := range script[[]string](t, p.tab, `window.found.wrong`) {
			t.Errorf("%s: %s", what, wrong)
		}
		looks++
	}
	for scheme, width := range map[string]int64{"light": 1366, "dark": 390} {
		prefer(t, p.tab, scheme)
		p.open(words.English)
		script[chromedp.Void](t, p.tab, string(axe)+`;undefined`)
		do(t, p.tab, chromedp.EmulateViewport(width, 844))
		for _, s := range states() {
			p.shows(s, words.Plain)
			look(s.name+", "+scheme, "document", "")
			look(s.name+", dialogs, "+scheme, "dialogs", `dialogs.showModal(); dialogs.querySelectorAll("section").forEach((d) => d.hidden = false)`)
			script[chromedp.Void](t, p.tab, `dialogs.close()`)
		}
		do(t, p.tab, chromedp.Navigate(p.url+"/?all"))
		script[chromedp.Void](t, p.tab, string(axe)+`;undefined`)
		look("overview, "+scheme, "document", "")
	}
}
