package cart

import (
	"context"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
)

// TestWhatOthersKnow starts a cart of whose journal others know more: it goes on above the
// newest number and time that can be believed.
func TestWhatOthersKnow(t *testing.T) {
	now := time.Now().UnixNano()
	for name, c := range map[string]struct {
		known []Newest
		after uint64 // the first number is this or higher; 0: 1
	}{
		"nobody":            {nil, 0},
		"nothing":           {[]Newest{{From: "history"}}, 0},
		"one":               {[]Newest{{From: "history", Seq: 500, AtNs: now}}, 500},
		"the newest counts": {[]Newest{{From: "history", Seq: 500, AtNs: now}, {From: "broker", Seq: 900, AtNs: now}}, 900},
		"centuries ahead":   {[]Newest{{From: "history", Seq: 500, AtNs: now + int64(200*365*24*time.Hour)}}, 0},
		"a forged number":   {[]Newest{{From: "history", Seq: 1 << 60, AtNs: now}, {From: "broker", Seq: 70, AtNs: now}}, 70},
		"an hour ahead":     {[]Newest{{From: "broker", Seq: 70, AtNs: now + int64(time.Hour)}}, 70},
	} {
		config := journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`)
		own, err := New(t.Context(), config, &config.Carts[0], Options{Fluids: config.FluidsByName(), Log: bridgetest.Log(), Speed: 1,
			Newest: func(context.Context, string, int64) []Newest { return c.known }})
		if err != nil {
			t.Fatal(err)
		}
		seq, atNs := own.state.Seq, own.state.NowNs
		if c.after == 0 && seq != 1 || c.after > 0 && (seq <= c.after || seq > c.after+2*spareNumbers) {
			t.Errorf("%s: the first event has number %d, want one above %d", name, seq, c.after)
		}
		for _, k := range c.known {
			if c.after == k.Seq && atNs <= k.AtNs {
				t.Errorf("%s: the first event is not later than what is known", name)
			}
		}
		if _, raised := own.alerts["journal_older"]; raised != (c.after > 0) {
			t.Errorf("%s: alert raised: %v", name, raised)
		}
		own.Close()
	}
}
