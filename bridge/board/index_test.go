package board

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

// chain lets a board hear 1000 carts of 200 shops: in each fifth cart a job in one of the
// states, the others idle, and some dark.
func chain(b *Board, now time.Time) {
	b.hub.linked(true, "", now)
	all := states()
	for i := range 1000 {
		shop, cart := fmt.Sprintf("shop%03d", i/5), fmt.Sprintf("bay%d", 1+i%5)
		s := state{volumes: wire.Volumes{Quality: "good", QualityCode: "good"}}
		if i%5 == 0 {
			s = all[i/5%len(all)]
		}
		if s.sayIn(b, shop, cart, now); i%17 == 3 {
			b.hub.receive("bayfill/"+shop+"/"+cart+"/presence", []byte(offline("a", "stopped")), false, now)
		}
	}
}

// Head office sees every shop with how many of its carts need somebody, and finds each
// cart. Nothing is left out without a word.
func TestIndexOfAChain(t *testing.T) {
	b := newBoard(Config{})
	chain(b, noon)
	began := time.Now()
	ix := b.hub.lookIndex(words.Plain, "", noon)
	t.Logf("1000 carts in %v", time.Since(began))
	if total := ix.Total(); len(ix.Shops) != 200 || total.Carts() != 1000 || total.Now == 0 || total.Work == 0 || total.Idle < 700 || total.Dark < 40 || ix.More != 0 {
		t.Errorf("%d shops, %+v, %d more", len(ix.Shops), total, ix.More)
	}
	for i := 1; i < len(ix.Shops); i++ {
		if ix.Shops[i].Now > ix.Shops[i-1].Now {
			t.Fatalf("%+v stands behind %+v", ix.Shops[i], ix.Shops[i-1])
		}
	}
	for query, want := range map[string][2]int{"shop13": {10, 50}, "SHOP007/BAY3": {0, 1}, "nowhere": {0, 0}} {
		found := b.hub.lookIndex(words.Plain, query, noon)
		if carts := len(found.Found.Tiles) + found.Found.More; len(found.Shops) != want[0] || carts != want[1] {
			t.Errorf("%q: %d shops, %d carts, want %v", query, len(found.Shops), carts, want)
		}
	}
	if o := b.hub.lookAll(words.Plain, "shop013", noon); len(o.Tiles) != 5 || o.Tiles[0].Key != "shop013/bay1" {
		t.Errorf("%d carts in a shop", len(o.Tiles))
	}
	// What has no room is said: shops beyond the page, carts beyond the board's memory.
	for i := range 100 {
		b.hub.receive(fmt.Sprintf("bayfill/more%03d/bay1/volumes", i), []byte(volumes("", 0, 0, 0)), true, noon)
	}
	if ix = b.hub.lookIndex(words.Plain, "", noon); ix.More != 300-maxShops || ix.Full {
		t.Errorf("%d more shops, full %v", ix.More, ix.Full)
	}
	for i := range maxCarts {
		b.hub.receive(fmt.Sprintf("bayfill/flood/c%d/volumes", i), []byte(volumes("", 0, 0, 0)), true, noon)
	}
	if ix = b.hub.lookIndex(words.Plain, "", noon); !ix.Full {
		t.Error("carts are missing and nothing says so")
	}
}

// The page for 1000 carts, and the way from it to a shop and a cart.
func TestIndexPage(t *testing.T) {
	t.Parallel()
	tab := chromium.Tab(t)
	b, server := serve(t, Config{})
	chain(b, time.Now())
	for _, reader := range []string{"units=metric&lang=en", "units=us&lang=es"} {
		do(t, tab, chromedp.Navigate(server.URL+"/reader?"+reader+"&back=/"))
		for _, screen := range screens[:2] {
			do(t, tab, chromedp.EmulateViewport(screen.width, screen.height))
			keep(t, tab, "index-"+reader[len(reader)-2:]+"-"+screen.name)
			if wide := script[int64](t, tab, `document.documentElement.scrollWidth`); wide > screen.width {
				t.Errorf("%s: the page is %d px wide", screen.name, wide)
			}
		}
		if n := script[int](t, tab, `document.querySelectorAll(".shops li").length`); n != 200 {
			t.Errorf("%d shops", n)
		}
	}
	path := script[string](t, tab, `document.querySelector(".shops a").getAttribute("href")`)
	do(t, tab, chromedp.Navigate(server.URL+path))
	keep(t, tab, "index-shop")
	if n := script[int](t, tab, `document.querySelectorAll(".tile").length`); n != 5 {
		t.Errorf("%d carts on %s", n, path)
	}
	do(t, tab, chromedp.Navigate(server.URL+"/?q="+url.QueryEscape("shop07")))
	keep(t, tab, "index-search")
	if text := script[string](t, tab, `document.querySelector("#shops").textContent`); !strings.Contains(text, "31 ") || !strings.Contains(text, "shop070") {
		t.Errorf("the search does not say how many more there are: %s", text)
	}
}

// A board for all shops reads details only of shops of which a page is open.
func TestDetailsOnDemand(t *testing.T) {
	bridgetest.Slow(t)
	t.Parallel()
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart := connect(t, broker, nil)
	at := runBoard(t, Config{Brokers: []string{"tcp://" + broker}})
	front := follow(t, at+"/events")
	bridgetest.Eventually(t, 10*time.Second, "the broker", func() bool {
		return front.piece("shops") != "" && !strings.Contains(front.piece("shops"), `class="why"`)
	})
	page := func() *browser {
		p := follow(t, at+"/events/hilltop/bay2")
		bridgetest.Eventually(t, 10*time.Second, "the page", func() bool {
			cart.say("presence", online("a", time.Now()))
			cart.say("volumes", volumes("checking", 4.213, 2.104, 1.246))
			cart.say("window", windowAt("open", 38.4, "null", "200"))
			cart.say("job", job("checking", `[{"text":"Judge the level.","tone":"check"}]`, ""))
			return p.shows("bar", ">LIVE<") && p.shows("band", "CHECK NOW") && p.shows("stage", "38")
		})
		return p
	}
	bridgetest.Eventually(t, 10*time.Second, "the shop", func() bool {
		cart.say("presence", online("a", time.Now()))
		return strings.Contains(front.piece("shops"), "hilltop")
	})
	page()
}
