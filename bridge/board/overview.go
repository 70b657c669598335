package board

import (
	"cmp"
	"slices"
	"time"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// overview shows all carts on one screen, the most urgent first and largest.
type overview struct {
	R     words.Reader
	Shop  string // of the carts; empty: the board's only one
	Tiles []tile
	Full  bool // there are carts for which the board has no room
	More  int  // carts beyond maxTiles, which are the calmest
}

// tile is a cart in the overview.
type tile struct {
	screen
	Urgent bool
	Window string // the check window's state
	rank   int
}

// maxTiles is how many carts fit a wall screen, and manyTiles from how many on they are small.
const maxTiles, manyTiles = 20, 12

// urgency orders the tones, the most urgent first.
var urgency = []fillcalc.Tone{fillcalc.ToneLost, fillcalc.ToneStop, fillcalc.ToneClosing, fillcalc.ToneCheck, fillcalc.ToneUnmeasured,
	fillcalc.ToneSlow, fillcalc.ToneAnswer, fillcalc.ToneDo, fillcalc.ToneWait, fillcalc.ToneDone}

func newTile(r words.Reader, key string, c *cart, l link, now time.Time) tile {
	t := tile{screen: newScreen(r, key, c, l, false, now)}
	r = t.R
	idle := c.volumes.message.Idle()
	if t.rank = slices.Index(urgency, t.Tone); idle {
		t.rank = len(urgency)
	}
	t.Urgent = t.rank < slices.Index(urgency, fillcalc.ToneDo)
	if n := len(c.job.message.Questions); t.Tone == fillcalc.ToneAnswer && n > 0 {
		t.Say = t.text("bay.waits_answer", map[string]float64{"count": float64(n)}, nil)
	}
	if m := &c.window.message; !idle && t.Live && m.State != "" && m.State != "blind" {
		t.Window = r.Word("window."+m.State) + " " + t.celsius(float64(m.TempC))
	}
	return t
}

// arrange sorts the tiles and counts those that have no room.
func (o *overview) arrange() {
	slices.SortFunc(o.Tiles, func(a, b tile) int { return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.Key, b.Key)) })
	if len(o.Tiles) > maxTiles {
		o.More = len(o.Tiles) - maxTiles + 1 // in the place of the last tile
		o.Tiles = o.Tiles[:maxTiles-1]
	}
}

// Events is where the changes come from.
func (o overview) Events() string {
	if o.Shop == "" {
		return "/events"
	}
	return "/shop-events/" + o.Shop
}

// Many reports whether the tiles must be small.
func (o overview) Many() bool { return len(o.Tiles) > manyTiles }

// Rest says how many carts have no room.
func (o overview) Rest() fillcalc.Text {
	return fillcalc.Text{Key: "bay.more_carts", Figures: map[string]float64{"count": float64(o.More)}}
}
