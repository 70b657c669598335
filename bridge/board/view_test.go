package board

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

const bay2 = "bayfill/hilltop/bay2/"

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// liveHub returns a hub that has just received all leaves of a cart.
func liveHub(t testing.TB) *hub {
	t.Helper()
	h := newHub(true, noon)
	h.linked(true, "", noon)
	h.receive(bay2+"presence", []byte(online("a")), true, noon)
	h.receive(bay2+"volumes", []byte(volumes("filling", 4.213, 2.104, 1.246)), false, noon)
	h.receive(bay2+"window", []byte(windowAt("below", 28.4, "190", "null")), false, noon)
	h.receive(bay2+"job", []byte(job("filling", `[{"text":"Pour 1.25 L more.","do":"phase","phase":"running"}]`, "")), false, noon)
	return h
}

func look(h *hub, after time.Duration) view {
	v, _ := h.look("bay2", true, noon.Add(after))
	return v
}

// The board decides by its own clock what is live and what is old. Each case continues the
// one before.
func TestStanding(t *testing.T) {
	h := newHub(true, noon)
	for _, c := range []struct {
		after   time.Duration
		happens func(now time.Time)
		want    string
		trouble string
	}{
		{0, func(time.Time) {}, "NO BROKER", "not connected yet"},
		{1 * time.Second, func(now time.Time) { h.linked(true, "", now) }, "NOT HEARD", "Nothing was received"},
		{2 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(online("a")), true, now)
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.1, 1.2)), true, now)
		}, "LAST KNOWN", "by the cart's clock"},
		{4 * time.Second, func(now time.Time) {
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.2, 1.1)), false, now)
		}, "LIVE", ""},
		{18 * time.Second, func(time.Time) {}, "LIVE", ""},
		{20 * time.Second, func(time.Time) {}, "SILENT", "for 16 s"},
		{21 * time.Second, func(now time.Time) {
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.3, 1.0)), false, now)
		}, "LIVE", ""},
		{22 * time.Second, func(now time.Time) { h.linked(false, "connection refused", now) }, "NO BROKER", "connection refused"},
		{30 * time.Second, func(now time.Time) { h.linked(false, "no route", now) }, "NO BROKER", "for 8 s: no route"},
		// A retained message does not become younger by being received again.
		{31 * time.Second, func(now time.Time) {
			h.linked(true, "", now)
			h.receive(bay2+"presence", []byte(online("a")), true, now)
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.3, 1.0)), true, now)
		}, "LAST KNOWN", "10 s ago"},
		{32 * time.Second, func(now time.Time) {
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.4, 0.9)), false, now)
		}, "LIVE", ""},
		{33 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(offline("a", "")), false, now) }, "CART OFFLINE", "for 0 s"},
		{34 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(online("b")), false, now) }, "LIVE", ""},
		// The will of an old connection.
		{35 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(offline("a", "")), false, now) }, "LIVE", ""},
		{36 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(offline("b", "stopped")), false, now) }, "CART OFFLINE", "(stopped)"},
		{37 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(strings.Replace(online("b"), `"contract":1`, `"contract":2`, 1)), false, now)
		}, "CANNOT READ", "version 2"},
		{38 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(online("b")), false, now)
			h.receive(bay2+"volumes", []byte(`{"drained_l":"much"}`), false, now)
		}, "CANNOT READ", "volumes"},
		{39 * time.Second, func(now time.Time) {
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.4, 0.9)), false, now)
		}, "LIVE", ""},
	} {
		now := noon.Add(c.after)
		c.happens(now)
		v := look(h, c.after)
		if v.Standing != c.want || v.Live != (c.want == "LIVE") || !strings.Contains(v.Trouble, c.trouble) || v.Live != (v.Trouble == "") {
			t.Errorf("after %v: %s, live %v, %q; want %s, %q", c.after, v.Standing, v.Live, v.Trouble, c.want, c.trouble)
		}
		if !v.Live && len(v.Groups) > 0 {
			t.Errorf("after %v: buttons although nothing is live", c.after)
		}
	}
}

// Null, a missing field and a message that was never received are all shown as unknown,
// never as zero.
func TestUnknown(t *testing.T) {
	for _, payload := range []string{
		`{"ts":"2026-11-25T09:10:00.000Z","phase":"filling","quality":"scale caddy is silent","quality_code":"silent","drained_l":null,"added_l":null,"remaining_l":null}`,
		`{"quality":"scale caddy is silent","quality_code":"silent"}`,
		`null`,
		``,
	} {
		h := newHub(true, noon)
		h.linked(true, "", noon)
		h.receive(bay2+"presence", []byte(online("a")), true, noon)
		if payload != "" {
			h.receive(bay2+"volumes", []byte(payload), false, noon)
			h.receive(bay2+"window", []byte(payload), false, noon)
		}
		v := look(h, 0)
		if v.Out.Text != "–" || v.In.Text != "–" || v.Pour.Text != "–" || v.Window.C != "–" || v.Level.Out.Known || v.Window.PointerKnown || v.Window.State != "blind" {
			t.Errorf("%q: %+v", payload, v)
		}
		if strings.Contains(payload, "silent") && (v.Quality != "scale caddy is silent" || v.Window.Notes == nil) {
			t.Errorf("%q does not say why: %q, %q", payload, v.Quality, v.Window.Notes)
		}
	}
}

// Countdowns continue by the board's clock and end at zero.
func TestCountdown(t *testing.T) {
	h := liveHub(t)
	if w := look(h, 0).Window; w.Awaited != "opens in" || w.Count != "3:10" {
		t.Errorf("at once: %q %q", w.Awaited, w.Count)
	}
	if w := look(h, 9500*time.Millisecond).Window; w.Count != "3:01" {
		t.Errorf("9.5 s later: %q", w.Count)
	}
	h.receive(bay2+"window", []byte(windowAt("below", 28.4, "null", "null")), false, noon)
	if w := look(h, 0).Window; w.Count != "" || w.Awaited != "no forecast yet" {
		t.Errorf("no forecast: %q %q", w.Awaited, w.Count)
	}
	h.receive(bay2+"window", []byte(windowAt("below", 28.4, "5", "null")), false, noon)
	if w := look(h, 9*time.Second).Window; w.Count != "0:00" {
		t.Errorf("overdue: %q", w.Count)
	}
	if w := look(h, 16*time.Second).Window; w.Count != "" || w.Word != "NOT LIVE" {
		t.Errorf("silent: %q %q", w.Count, w.Word)
	}
}

// A countdown is rounded to suit its expanded uncertainty, and continues between messages.
func TestCountdownSuitsItsUncertainty(t *testing.T) {
	h := liveHub(t)
	for _, c := range []struct {
		opensS, uS string
		after      time.Duration
		want       string
	}{
		{"190.4", "null", 0, "opens in 3:11"},
		{"190.4", "2", 0, "opens in 3:11"},
		{"193", "9", 0, "opens in about 3:10"},
		{"193", "9", 10 * time.Second, "opens in about 3:00"},
		{"215", "41", 0, "opens in about 4 min"},
		{"215", "41", 10 * time.Second, "opens in about 3 min"},
		{"20", "41", 0, "opens in a moment"},
		{"4", "9", 0, "opens in a moment"},
		{"2200", "300", 0, "opens in about 35 min"},
	} {
		h.receive(bay2+"window", []byte(windowForecast("below", 28.4, c.opensS, c.uS, "null", "null")), false, noon)
		if w := look(h, c.after).Window; w.Awaited+" "+w.Count != c.want {
			t.Errorf("%s s ± %s s, %v later: %q %q, want %q", c.opensS, c.uS, c.after, w.Awaited, w.Count, c.want)
		}
	}
}

// The signal is given only while the technician waits for it, and never for old messages.
func TestSignal(t *testing.T) {
	h := liveHub(t)
	for _, c := range []struct {
		phase, state string
		after        time.Duration
		want         string
	}{
		{"draining", "open", 0, ""},
		{"filling", "open", 0, ""},
		{"running", "open", 0, "open"},
		{"checking", "nearing", 0, ""},
		{"checking", "open", 0, "open"},
		{"checking", "closing", 0, "closing"},
		{"checking", "open", 16 * time.Second, ""},
	} {
		h.receive(bay2+"volumes", []byte(volumes(c.phase, 4, 4, 0)), false, noon)
		h.receive(bay2+"window", []byte(windowAt(c.state, 40, "null", "60")), false, noon)
		if got := look(h, c.after).Window.Signal; got != c.want {
			t.Errorf("%s in %s after %v: signal %q, want %q", c.state, c.phase, c.after, got, c.want)
		}
	}
}

// Whatever figures a message holds, a browser can draw the pictures.
func TestPicturesOfAnything(t *testing.T) {
	figures := []float64{0, -0.4, 0.004, 1, 4.2, 88, 1e6, -1e6, math.SmallestNonzeroFloat64}
	for _, l := range figures {
		for _, c := range figures {
			h := liveHub(t)
			h.receive(bay2+"volumes", []byte(volumes("filling", l, c, l-c)), false, noon)
			h.receive(bay2+"window", []byte(windowAt("below", c, "null", "null")), false, noon)
			h.receive(bay2+"job", []byte(job("filling", `[]`, fmt.Sprintf(`,"questions":[{"change":1,"at":"","sensor":"caddy","kg":%g,"l":1,"answers":[],"trace_kg":[%g,null,%g],"trace_step_s":%g}]`, l, l, c, c))), false, noon)
			for s := range 40 {
				h.tick(noon.Add(time.Duration(s) * time.Second))
			}
			var out bytes.Buffer
			if err := pages.ExecuteTemplate(&out, "cart.html", page{Cart: look(h, 0)}); err != nil {
				t.Fatal(err)
			}
			for _, bad := range []string{"NaN", "Inf", "e+", "e-0", "-0.00"} {
				if strings.Contains(out.String(), bad) {
					t.Fatalf("drained %g, added and °C %g: the page holds %s", l, c, bad)
				}
			}
		}
	}
}

// A gauge is as high as its litres, and the gap reaches from what was added up to the line.
func TestLevel(t *testing.T) {
	v := newLevel(4.213, 2.104, 1.246, 4.19, 3.35)
	top := 5.0 // litres at the upper end of the scale
	at := func(l float64) float64 { return math.Round(gaugeBottomY - gaugeTallY*l/top) }
	if v.Out.Y != at(4.213) || v.In.Y != at(2.104) || v.AimY != at(3.35) || v.TargetY != at(4.19) {
		t.Errorf("%+v", v)
	}
	if v.GapY != at(3.35) || v.GapTall != at(2.104)-at(3.35) {
		t.Errorf("gap from %g, %g tall", v.GapY, v.GapTall)
	}
	if over := newLevel(4, 4.5, -0.5, 4, math.NaN()); over.GapTall != 0 || over.Target {
		t.Errorf("too much in, yet something to pour: %+v", over)
	}
}

func TestTrend(t *testing.T) {
	var tr trend
	for s := range 3600 {
		f := sample{float64(s) / 1000, math.NaN(), 30}
		if s > 3000 && s < 3100 {
			f.drainedL = math.NaN()
		}
		tr.add("van-7", f, noon.Add(time.Duration(s)*time.Second))
	}
	if tr.n != 600 {
		t.Errorf("%d samples in an hour, want one in six seconds", tr.n)
	}
	p := tr.plot()
	if strings.Count(p.Drained.Path.String(), "M") != 2 || !p.Added.Path.Empty() || !p.Drained.Ends || p.Added.Ends {
		t.Errorf("a gap, and a line that is not known: %v, %v", p.Drained, p.Added)
	}
	if got := fmt.Sprint(p.Minutes); got != "[{70 0 −30 min} {305 0 −15 min} {540 0 now}]" {
		t.Errorf("times %s", got)
	}
	for _, c := range []struct{ drainedL, addedL, distance float64 }{
		{3, 2.9, lineNameHeight}, {2.9, 3, -lineNameHeight}, {3, 3, lineNameHeight}, {3, 0, 100}, // of 3 L to the scale's 3
	} {
		var tr trend
		for s := range 2 {
			tr.add("van-7", sample{c.drainedL, c.addedL, 30}, noon.Add(time.Duration(s)*trendEvery))
		}
		p := tr.plot()
		if got := p.Added.EndY - p.Drained.EndY; math.Abs(got-c.distance) > 1e-9 {
			t.Errorf("%g L out and %g L in: the names lie %g apart, want %g", c.drainedL, c.addedL, got, c.distance)
		}
	}
	tr.add("van-8", sample{1, 1, 30}, noon.Add(2*time.Hour))
	if tr.n != 1 {
		t.Errorf("another job goes on with %d samples", tr.n)
	}
}
