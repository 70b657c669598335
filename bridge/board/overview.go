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
	Tiles []tile
	More  int // carts beyond maxTiles, which are the calmest
}

// tile is a cart in the overview.
type tile struct {
	screen
	Urgent bool
	Window string // the check window's state
	rank   int
}

// maxTiles is how many carts fit a wall screen.
const maxTiles = 20

// urgency orders the tones, the most urgent first.
var urgency = []fillcalc.Tone{fillcalc.ToneLost, fillcalc.ToneStop, fillcalc.ToneClosing, fillcalc.ToneCheck, fillcalc.ToneUnmeasured,
	fillcalc.ToneSlow, fillcalc.ToneAnswer, fillcalc.ToneDo, fillcalc.ToneWait, fillcalc.ToneDone}

func newTile(r words.Reader, key string, c *cart, l link, now time.Time) tile {
	t := tile{screen: newScreen(r, key, c, l, false, now)}
	r = t.R
	phase := c.volumes.message.Phase
	idle := phase == "" || phase == "closed" || phase == "abandoned"
	if t.rank = slices.Index(urgency, t.Tone); idle {
		t.rank = len(urgency)
	}
	t.Urgent = t.rank < slices.Index(urgency, fillcalc.ToneDo)
	if m := &c.window.message; !idle && t.Live && m.State != "" && m.State != "blind" {
		t.Window = r.Word("window."+m.State) + " " + t.celsius(float64(m.TempC))
	}
	return t
}

// arrange sorts the tiles and counts those that have no room.
func (o *overview) arrange() {
	slices.SortFunc(o.Tiles, func(a, b tile) int { return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.Key, b.Key)) })
	if o.More = max(0, len(o.Tiles)-maxTiles); o.More > 0 {
		o.Tiles = o.Tiles[:maxTiles]
	}
}

// Rest says how many carts have no room.
func (o overview) Rest() fillcalc.Text {
	return fillcalc.Text{Key: "bay.more_carts", Figures: map[string]float64{"count": float64(o.More)}}
}
