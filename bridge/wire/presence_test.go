package wire

import (
	"testing"
	"time"
)

// A cart is live as long as its presence comes in time. What a broker kept or held back
// proves nothing, and the two clocks need not agree.
func TestBeats(t *testing.T) {
	type message struct {
		atS, tsS float64 // received by the reader's clock, made by the cart's
		retained bool
		offline  bool
	}
	flood := []message{{atS: 0, tsS: 0}, {atS: 600, tsS: 10}, {atS: 600.1, tsS: 20}, {atS: 600.2, tsS: 30}}
	for _, c := range []struct {
		what string
		got  []message
		at   float64
		live bool
	}{
		{"nothing", nil, 0, false},
		{"kept from just now", []message{{atS: 5, retained: true}}, 14.9, true},
		{"… and nothing since", []message{{atS: 5, retained: true}}, 15.1, false},
		{"kept from long ago", []message{{atS: 600, retained: true}}, 600, false},
		{"kept by a cart whose clock is ahead", []message{{tsS: 600, retained: true}}, 1, false},
		{"one beat", []message{{}}, 1, true},
		{"the next one is late", []message{{}}, 14.9, true},
		{"the next one is missing", []message{{}}, 15.1, false},
		{"offline", []message{{}, {atS: 1, offline: true}}, 1, false},
		{"online again", []message{{}, {atS: 1, offline: true}, {atS: 2, tsS: 2}}, 3, true},
		{"held back for ten minutes", flood, 600.2, false},
		{"the present after what was held back", append(flood[:4:4], message{atS: 601, tsS: 600.5}), 602, true},
		{"held back, to a reader that comes then", flood[1:], 600.2, false},
		{"a cart whose clock is an hour behind, at first", []message{{atS: 3600}}, 3600, false},
		{"… and from its second beat on", []message{{atS: 3600}, {atS: 3610, tsS: 10}}, 3611, true},
		{"… and ahead", []message{{tsS: 3600}, {atS: 10, tsS: 3610}}, 11, true},
		{"… held back", []message{{atS: 3600}, {atS: 3610, tsS: 10}, {atS: 3700, tsS: 20}, {atS: 3700.1, tsS: 30}}, 3700.2, false},
		{"the cart's clock is set back by a minute", []message{{}, {atS: 10, tsS: -50}, {atS: 20, tsS: -40}}, 21, true},
	} {
		zero := time.Unix(1e9, 0)
		at := func(s float64) time.Time { return zero.Add(time.Duration(s * 1e9)) }
		var b Beats
		for _, m := range c.got {
			p := Presence{Online: !m.offline, TS: at(m.tsS).UTC().Format(TimeLayout), EveryS: IdleBeat.Seconds()}
			b.Take(&p, m.retained, at(m.atS))
		}
		if live := b.Live(at(c.at)); live != c.live {
			t.Errorf("%s: live %v, want %v", c.what, live, c.live)
		}
	}
}
