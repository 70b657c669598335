package wire

import "time"

// Presence is the message of the leaf presence. An online cart repeats it every
// EveryS seconds. The will that the broker publishes when a connection is lost is one
// too: not online, and without times.
type Presence struct {
	Online   bool    `json:"online"`
	TS       string  `json:"ts,omitempty"` // when this message was made; a will has none
	EveryS   float64 `json:"every_s,omitempty"`
	Since    *string `json:"since"`
	Session  string  `json:"session"` // of one connection: its will has the same
	Version  string  `json:"version"`
	Contract int     `json:"contract"`
	Why      string  `json:"why,omitempty"` // after a clean stop
}

// How often a cart repeats its presence: in a job, when somebody follows it, and idle.
const (
	JobBeat  = 2 * time.Second
	IdleBeat = 10 * time.Second
)

// Late is how far a message may be behind its time and still count as live, where the
// clocks of cart and reader agree.
const Late = 15 * time.Second

// Beats judges by the presences that a reader receives on one connection whether the
// cart is live. A presence that a broker had kept or held back is as old as it says.
// Brokers keep the order, so what came before a beat is no older than that.
type Beats struct {
	last   beat // the newest one that was not retained
	live   beat // the newest one that came in time
	behind time.Duration
}

type beat struct {
	at    time.Time // of receipt, by the reader's clock
	ts    time.Time
	every time.Duration
}

// Take notes a presence that was received now.
func (b *Beats) Take(p *Presence, retained bool, now time.Time) {
	if !p.Online {
		*b = Beats{}
		return
	}
	ts, err := time.Parse(time.RFC3339Nano, p.TS)
	if err != nil {
		return
	}
	next := beat{now, ts, time.Duration(p.EveryS * float64(time.Second))}
	before, behind := b.last, now.Sub(ts)
	if retained {
		if behind > -time.Second && behind <= next.every*3/2 { // or it is old, or the clocks differ
			b.live, b.behind = beat{ts, ts, next.every}, behind
		}
		return
	}
	b.last = next
	// A reader's clock may differ from the cart's. What shows the difference is two beats
	// that come as far apart as they were made.
	made, came := ts.Sub(before.ts), now.Sub(before.at)
	steady := !before.at.IsZero() && made > 0 && made <= 2*IdleBeat && came >= made/2 && came <= 2*made
	if steady || behind.Abs() <= Late || !b.live.at.IsZero() && (behind-b.behind).Abs() <= Late {
		b.live, b.behind = next, behind
	}
}

// Live reports whether the last beat in time is no older than one and a half of the time
// after which the next one was to come.
func (b *Beats) Live(now time.Time) bool {
	return !b.live.at.IsZero() && now.Sub(b.live.at) <= b.live.every*3/2
}

// At is when the last beat in time was received; zero: none was.
func (b *Beats) At() time.Time { return b.live.at }
