package board

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/wire"
)

// say lets the board receive a state of one cart of many.
func (s state) say(b *Board, cart string, now time.Time) { s.sayIn(b, "hilltop", cart, now) }

func (s state) sayIn(b *Board, shop, cart string, now time.Time) {
	for leaf, m := range map[wire.Leaf]any{wire.PresenceLeaf: json.RawMessage(online("a", now)), wire.AboutLeaf: s.about,
		wire.VolumesLeaf: s.volumes, wire.WindowLeaf: s.window, wire.JobLeaf: s.job, wire.AlertsLeaf: s.alerts} {
		b.hub.receive("bayfill/"+shop+"/"+cart+"/"+string(leaf), wire.Encode(m), false, now)
	}
}

// A wall screen shows twenty carts without scrolling, the most urgent first, and says how many
// more there are.
func TestOverviewOfManyCarts(t *testing.T) {
	t.Parallel()
	tab := chromium.Tab(t)
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	now := time.Now()
	b.hub.linked(true, "", now)
	all := states()
	for i := range 25 {
		all[i%len(all)].say(b, fmt.Sprintf("bay%02d", i), now)
	}
	for _, reader := range []string{"units=metric&lang=en", "units=us&lang=es"} {
		do(t, tab, chromedp.Navigate(server.URL+"/reader?"+reader+"&back=/"))
		for _, screen := range screens[:2] {
			do(t, tab, chromedp.EmulateViewport(screen.width, screen.height))
			keep(t, tab, "overview-"+reader[len(reader)-2:]+"-"+screen.name)
			if tall := script[int64](t, tab, `document.documentElement.scrollHeight`); tall > screen.height {
				t.Errorf("%s: the page is %d px high", screen.name, tall)
			}
			for _, cut := range script[[]string](t, tab, `[...document.querySelectorAll(".saying")].filter((e) => e.scrollHeight > e.clientHeight + 2 || e.scrollWidth > e.clientWidth + 1 || e.getBoundingClientRect().bottom > e.parentElement.getBoundingClientRect().bottom).map((e) => e.textContent)`) {
				t.Errorf("%s, %s: cut: %s", reader, screen.name, cut)
			}
			if n := script[int](t, tab, `document.querySelectorAll(".tile").length`); n != maxTiles-1 {
				t.Errorf("%d tiles, want %d", n, maxTiles-1)
			}
			first := script[string](t, tab, `[...document.querySelectorAll(".tile")].slice(0, 4).map((e) => e.dataset.tone).join()`)
			if first != "lost,stop,closing,closing" {
				t.Errorf("the first are %s", first)
			}
			if more := script[string](t, tab, `document.querySelector(".more").textContent`); !strings.Contains(more, "6 ") {
				t.Errorf("more: %q", more)
			}
		}
	}
	// A page that does not exist shows them too, on a phone as well.
	for _, screen := range screens {
		do(t, tab, chromedp.EmulateViewport(screen.width, screen.height), chromedp.Navigate(server.URL+"/bay2"))
		keep(t, tab, "no-page-"+screen.name)
		if wide := script[int64](t, tab, `document.documentElement.scrollWidth`); wide > screen.width || !script[bool](t, tab, `document.querySelector(".why").getBoundingClientRect().bottom < document.querySelector(".tile").getBoundingClientRect().top`) {
			t.Errorf("%s: a page that does not exist is %d px wide, or lies over the carts", screen.name, wide)
		}
		for _, name := range script[[]string](t, tab, `[...document.querySelectorAll(".tile .name b")].filter((e) => e.getBoundingClientRect().top < e.closest(".tile").getBoundingClientRect().top || e.parentElement.clientHeight < e.offsetHeight).map((e) => e.textContent)`) {
			t.Errorf("%s: the name of %s is cut", screen.name, name)
		}
	}
}
