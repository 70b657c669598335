package board

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// index shows all shops, those first in which somebody is needed now.
type index struct {
	R     words.Reader
	Query string
	Shops []shopRow
	More  int      // shops beyond maxShops, which are the calmest
	Found overview // carts that the query names
	Why   string   // why nothing is live
	Full  bool     // there are carts for which the board has no room
}

// shopRow counts the carts of a shop by their urgency.
type shopRow struct {
	Name, Path            string
	Now, Work, Idle, Dark int // somebody is needed; in a job; no job; not live and in no job
}

// Carts is the number of carts in the shop.
func (s shopRow) Carts() int { return s.Now + s.Work + s.Idle + s.Dark }

// maxShops is the max number of shops on the page. A search finds the others.
const maxShops = 240

// count adds a cart to the row.
func (s *shopRow) count(c *cart, l link, now time.Time) {
	idle, live := c.volumes.message.Idle(), c.standing(l, now) == ""
	tone := fillcalc.ToneUnmeasured
	if live {
		tone = c.tone()
	}
	switch {
	case idle && live:
		s.Idle++
	case idle:
		s.Dark++
	case slices.Index(urgency, tone) < slices.Index(urgency, fillcalc.ToneDo):
		s.Now++
	default:
		s.Work++
	}
}

// lookIndex returns all shops. With a query it is those whose name contains it, and the
// carts whose name or vehicle does.
func (h *hub) lookIndex(r words.Reader, query string, now time.Time) index {
	h.mu.Lock()
	defer h.mu.Unlock()
	ix := index{R: r, Query: query, Full: h.full, Found: overview{R: r}}
	if !h.link.up {
		ix.Why = r.Say(fillcalc.Text{Key: "bay.dead_no_broker", Figures: map[string]float64{"away_s": now.Sub(h.link.since).Seconds()},
			Names: map[string]string{"why": strings.TrimRight(h.link.why, ".")}})
	}
	query = strings.ToLower(query)
	shops := map[string]*shopRow{}
	for key, c := range h.carts {
		shop, _, _ := strings.Cut(key, "/")
		if query != "" && (strings.Contains(key, query) || strings.Contains(strings.ToLower(c.job.message.Vehicle), query)) {
			ix.Found.Tiles = append(ix.Found.Tiles, newTile(r, key, c, h.link, now))
		}
		if !strings.Contains(shop, query) {
			continue
		}
		if shops[shop] == nil {
			shops[shop] = &shopRow{Name: shop, Path: "/shop/" + shop}
		}
		shops[shop].count(c, h.link, now)
	}
	ix.Found.arrange()
	for _, s := range shops {
		ix.Shops = append(ix.Shops, *s)
	}
	slices.SortFunc(ix.Shops, func(a, b shopRow) int {
		return cmp.Or(cmp.Compare(b.Now, a.Now), cmp.Compare(b.Work, a.Work), cmp.Compare(a.Name, b.Name))
	})
	if len(ix.Shops) > maxShops {
		ix.More, ix.Shops = len(ix.Shops)-maxShops, ix.Shops[:maxShops]
	}
	return ix
}

// Rest says how many shops have no room.
func (ix index) Rest() fillcalc.Text {
	return fillcalc.Text{Key: "bay.more_shops", Figures: map[string]float64{"count": float64(ix.More)}}
}

// Total counts the carts of all shops on the page.
func (ix index) Total() (all shopRow) {
	for _, s := range ix.Shops {
		all.Now, all.Work, all.Idle, all.Dark = all.Now+s.Now, all.Work+s.Work, all.Idle+s.Idle, all.Dark+s.Dark
	}
	return all
}

// counted is a number of carts of one kind.
type counted struct {
	N          int
	Kind, Word string
}

// Counts names the counts of a row in the reader's words, the most urgent first.
func (ix index) Counts(s shopRow) []counted {
	return []counted{
		{s.Now, "now", ix.R.Word("bay.count_now")}, {s.Work, "work", ix.R.Word("bay.count_work")},
		{s.Idle, "idle", ix.R.Word("bay.count_idle")}, {s.Dark, "dark", ix.R.Word("bay.count_dark")},
	}
}

// maxQuery is the max length of what is searched for, in bytes.
const maxQuery = 64

func queryOf(r *http.Request) string {
	q := strings.TrimSpace(r.URL.Query().Get("q"))
	return q[:min(len(q), maxQuery)]
}

func (b *Board) index(w http.ResponseWriter, r *http.Request) {
	if b.toOnlyCart(w, r) {
		return
	}
	b.show(w, "index.html", page{Index: b.hub.lookIndex(b.reader(r), queryOf(r), time.Now())})
}

func (b *Board) indexEvents(w http.ResponseWriter, r *http.Request) {
	reader, query := b.reader(r), queryOf(r)
	b.stream(w, r, []string{"shops"}, func(now time.Time) (any, fillcalc.Tone, <-chan struct{}) {
		return b.hub.lookIndex(reader, query, now), "", nil
	})
}

func (b *Board) shop(w http.ResponseWriter, r *http.Request) {
	o := b.hub.lookAll(b.reader(r), r.PathValue("shop"), time.Now())
	b.show(w, "overview.html", page{Carts: o})
}

func (b *Board) shopEvents(w http.ResponseWriter, r *http.Request) {
	reader, shop := b.reader(r), r.PathValue("shop")
	defer b.client.watch(shop)()
	b.stream(w, r, overviewPieces, func(now time.Time) (any, fillcalc.Tone, <-chan struct{}) {
		return b.hub.lookAll(reader, shop, now), "", nil
	})
}
