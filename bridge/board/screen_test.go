package board

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// liveHub returns a hub that has just received all leaves of a cart.
func liveHub(t testing.TB) *hub {
	t.Helper()
	h := newHub(true, noon)
	h.linked(true, "", noon)
	h.receive(bay2+"presence", []byte(online("a", noon)), false, noon)
	h.receive(bay2+"volumes", []byte(volumes("filling", 4.213, 2.104, 1.246)), false, noon)
	h.receive(bay2+"window", []byte(windowAt("below", 28.4, "190", "null")), false, noon)
	h.receive(bay2+"job", []byte(job("filling", `[{"text":"Pour 1.25 L more.","do":"phase","phase":"running"}]`, "")), false, noon)
	return h
}

func look(h *hub, after time.Duration) screen {
	s, _ := h.look(words.Plain, "bay2", true, noon.Add(after))
	return s
}

// shown returns the screen of a state for a reader, some time after it was received.
func shown(t testing.TB, s state, r words.Reader, after time.Duration) screen {
	t.Helper()
	b := newBoard(Config{Shop: "hilltop", MayCommand: true})
	s.hear(b, noon)
	page, _ := b.hub.look(r, "bay2", true, noon.Add(after))
	return page
}

// The board decides by its own clock what is live and what is old. Each case continues the
// one before.
func TestStanding(t *testing.T) {
	h := newHub(true, noon)
	for _, c := range []struct {
		after   time.Duration
		happens func(now time.Time)
		want    string
		why     string
	}{
		{0, func(time.Time) {}, "NO BROKER", "not connected yet"},
		{1 * time.Second, func(now time.Time) { h.linked(true, "", now) }, "NOT HEARD", "Nothing was received"},
		{2 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(beatAt("a", now.Add(-time.Minute), 10*time.Second)), true, now)
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.1, 1.2)), true, now)
		}, "LAST KNOWN", "last known"},
		// Volumes alone do not show that the cart is live: a broker may have held them back.
		{3 * time.Second, func(now time.Time) {
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.2, 1.1)), false, now)
		}, "LAST KNOWN", "Waiting"},
		{4 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(beatAt("a", now, 10*time.Second)), false, now)
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.2, 1.1)), false, now)
		}, "LIVE", ""},
		{18 * time.Second, func(time.Time) {}, "LIVE", ""},
		{20 * time.Second, func(time.Time) {}, "SILENT", "for 16 s"},
		{21 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(beatAt("a", now, 10*time.Second)), false, now)
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.3, 1.0)), false, now)
		}, "LIVE", ""},
		{22 * time.Second, func(now time.Time) { h.linked(false, "connection refused", now) }, "NO BROKER", "connection refused"},
		{30 * time.Second, func(now time.Time) { h.linked(false, "no route", now) }, "NO BROKER", "for 8 s (no route)"},
		// A retained message does not become younger by being received again.
		{31 * time.Second, func(now time.Time) {
			h.linked(true, "", now)
			h.receive(bay2+"presence", []byte(beatAt("a", now, 10*time.Second)), true, now)
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.3, 1.0)), true, now)
		}, "LAST KNOWN", "10 s ago"},
		{32 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(beatAt("a", now, 10*time.Second)), false, now)
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.4, 0.9)), false, now)
		}, "LIVE", ""},
		{33 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(offline("a", "")), false, now) }, "CART OFFLINE", "offline"},
		{34 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(beatAt("b", now, 10*time.Second)), false, now) }, "LIVE", ""},
		// The will of an old connection.
		{35 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(offline("a", "")), false, now) }, "LIVE", ""},
		{36 * time.Second, func(now time.Time) { h.receive(bay2+"presence", []byte(offline("b", "stopped")), false, now) }, "CART OFFLINE", "stopped"},
		{37 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(strings.Replace(beatAt("b", now, 10*time.Second), `"contract":1`, `"contract":2`, 1)), false, now)
		}, "CANNOT READ", "version 2"},
		{38 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(beatAt("b", now, 10*time.Second)), false, now)
			h.receive(bay2+"volumes", []byte(`{"drained_l":"much"}`), false, now)
		}, "CANNOT READ", "volumes"},
		{39 * time.Second, func(now time.Time) {
			h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.4, 0.9)), false, now)
		}, "LIVE", ""},
		// Minutes of messages that a broker had held back.
		{700 * time.Second, func(now time.Time) {
			for s := range 60 {
				made := now.Add(-time.Duration(660-10*s) * time.Second)
				h.receive(bay2+"presence", []byte(beatAt("b", made, 10*time.Second)), false, now)
				h.receive(bay2+"volumes", []byte(volumes("filling", 4.2, 2.4, 0.9)), false, now)
			}
		}, "SILENT", "11 min"},
		{710 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(beatAt("b", now, 10*time.Second)), false, now)
			h.receive(bay2+"volumes", []byte(volumes("", 0, 0, 0)), false, now)
		}, "LIVE", ""},
		// Of an idle cart only the presence comes.
		{720 * time.Second, func(now time.Time) {
			h.receive(bay2+"presence", []byte(beatAt("b", now, 10*time.Second)), false, now)
		}, "LIVE", ""},
		{736 * time.Second, func(time.Time) {}, "SILENT", "for 16 s"},
	} {
		now := noon.Add(c.after)
		c.happens(now)
		v := look(h, c.after)
		if v.Standing != c.want || v.Live != (c.want == "LIVE") || !strings.Contains(v.Why, c.why) {
			t.Errorf("after %v: %s, live %v, %q; want %s, %q", c.after, v.Standing, v.Live, v.Why, c.want, c.why)
		}
		if !v.Live && len(v.Answers) > 0 {
			t.Errorf("after %v: buttons although nothing is live", c.after)
		}
	}
}

// Each state has its tone, its figure in the reader's units, and its first answer.
func TestStates(t *testing.T) {
	us := words.Reader{Language: words.English, Units: units.US, Zone: time.UTC}
	for _, c := range []struct {
		state        string
		tone         fillcalc.Tone
		digits, unit string
		first        string
	}{
		{"ready", fillcalc.ToneDo, "9.51", "qt", "Start draining"}, // 9 / 0.946353
		{"level before", fillcalc.ToneDo, "9.51", "qt", "Low"},
		{"hold", fillcalc.ToneClosing, "0:35", "min", "Start the gears"},
		{"draining", fillcalc.ToneWait, "3.30", "qt", "Pan is off, it only drips"}, // 3.12 / 0.946353
		{"asked", fillcalc.ToneAnswer, "2.71", "lb", "Fluid"},                      // 1.23 / 0.453592
		{"torque", fillcalc.ToneDo, "97", "in-lb", "Enter the torque"},             // 10.96 / 0.112985
		{"filling", fillcalc.ToneDo, "2.87", "qt", "Some was spilled"},             // 2.72 / 0.946353: the engine is no answer yet
		{"slow", fillcalc.ToneSlow, "1.4", "fl oz", "Some was spilled"},            // 0.04 / 0.0295735
		{"too much", fillcalc.ToneStop, "5.7", "fl oz", "Engine runs"},             // 0.17 / 0.0295735
		{"first fill in", fillcalc.ToneDo, "0.0", "fl oz", "Engine runs"},
		{"gears", fillcalc.ToneDo, "3:50", "min", "Start the gears"},
		{"waiting", fillcalc.ToneWait, "1:20", "min", "Judge the level"},
		{"open", fillcalc.ToneCheck, "3:20", "min", "Low"},
		{"closing", fillcalc.ToneClosing, "0:35", "min", "Low"},
		{"blind", fillcalc.ToneUnmeasured, "–", "°F", "Judge the level"},
		{"judged", fillcalc.ToneDo, "3:20", "min", "Weigh and close the job"},
		{"closed", fillcalc.ToneDone, "4.65", "qt", "Open a job"}, // 4.40 / 0.946353
		{"closed in doubt", fillcalc.ToneDone, "4.65", "qt", "Next job"},
		{"next pass", fillcalc.ToneDo, "3:50", "min", "No leaks seen"},
		{"no list", fillcalc.ToneDo, "", "", "Open a job"},
	} {
		s := shown(t, named(t, c.state), us, 0)
		if s.Tone != c.tone || s.Fig.Digits != c.digits || s.Fig.Unit != c.unit || len(s.Answers) == 0 || s.Answers[0].Label != c.first {
			t.Errorf("%s: %s %s %s, answers %+v; want %+v", c.state, s.Tone, s.Fig.Digits, s.Fig.Unit, s.Answers, c)
		}
	}
	if s := shown(t, named(t, "filling"), us, 0); !strings.Contains(s.Later, "2.87 qt") {
		t.Errorf("the engine is not held back: %q", s.Later)
	}
}

// The caddy is drawn to scale, with what earlier jobs have left in it, when it is known what it
// holds; else what came out stands in it.
func TestCaddyIsDrawnToScale(t *testing.T) {
	for _, c := range []struct {
		holdsL, freeL, tallShare float64
		fill                     string
	}{{18, 10.88, (18 - 10.88) / 18, "in it 7.12 L"}, {0, math.NaN(), 3.12 / (1.2 * 3.97), "3.12 L"}} {
		s := shown(t, named(t, "draining").with("", func(s *state) {
			s.about.CaddyHoldsL, s.volumes.CaddyFreeL = wire.Number(c.holdsL), wire.Number(c.freeL)
		}), words.Plain, 0)
		if v := s.Pic.Vessel; math.Abs(v.FillTall/(vesselBottomY-vesselTopY)-c.tallShare) > 0.005 || v.Fill != c.fill || v.Line != "usual 3.97 L" {
			t.Errorf("of %v L, %v L free: the caddy is drawn as %+v", c.holdsL, c.freeL, v)
		}
	}
}

// A job without service data has a picture too: nothing says what usually comes out.
func TestPictureWithoutServiceData(t *testing.T) {
	s := shown(t, named(t, "draining").with("", func(s *state) { s.job.ServiceData = nil }), words.Plain, 0)
	if v := s.Pic.Vessel; !(v.FillTall > 0 && v.FillY > 0) || v.Line != "" {
		t.Errorf("the caddy is drawn as %+v", v)
	}
}

// A countdown runs by the board's clock, in steps that suit its uncertainty.
func TestCountdown(t *testing.T) {
	for _, c := range []struct {
		opensS, uS float64
		after      time.Duration
		want, u    string
	}{
		{190, 1, 0, "3:10", ""}, {190, 1, 10 * time.Second, "3:00", ""},
		{193, 25, 0, "3:10", "± 0:30"}, {233, 41, 0, "3:50", "± 0:50"}, {233, 130, 0, "4:00", "± 3:00"}, {1500, 700, 0, "25:00", "± 15:00"},
		{3, 1, 10 * time.Second, "0:00", ""},
	} {
		page := shown(t, named(t, "waiting").with("", func(s *state) {
			s.window.OpensInS, s.window.OpensInUS = wire.Number(c.opensS), wire.Number(c.uS)
		}), words.Plain, c.after)
		if page.Fig.Digits != c.want || page.Fig.U != c.u {
			t.Errorf("%g s ± %g after %v: %s %s, want %s %s", c.opensS, c.uS, c.after, page.Fig.Digits, page.Fig.U, c.want, c.u)
		}
	}
}

// What is unknown is a dash or away, never a zero, and has no picture that looks measured.
func TestUnknown(t *testing.T) {
	nan := wire.Number(math.NaN())
	for _, name := range []string{"draining", "filling", "top up", "closed"} {
		s := shown(t, named(t, name).with("", func(s *state) {
			s.volumes.DrainedL, s.volumes.AddedL, s.volumes.RemainingL, s.volumes.CaddyFreeL, s.volumes.DrainedUL, s.volumes.AddedUL = nan, nan, nan, nan, nan, nan
			s.window.State, s.window.TempC, s.job.Plan = "blind", nan, nil
		}), words.Plain, 0)
		if s.Fig.Digits != unknown || s.Fig.U != "" || name != "closed" && s.Pic.Kind != "dead" {
			t.Errorf("%s: %+v, picture %s", name, s.Fig, s.Pic.Kind)
		}
	}
}

// The worst alert comes first; instruments that are due for calibration share one line at
// the end.
func TestAlertsByHarm(t *testing.T) {
	s := shown(t, named(t, "dripping"), words.Plain, 0)
	if len(s.Notes) < 4 || !strings.HasPrefix(s.Notes[0], "The caddy has room") || s.Notes[3] != "1 instrument is due for calibration." {
		t.Errorf("notes %q", s.Notes)
	}
}

// The overview has the urgent carts first, and says how many have no room.
func TestOverview(t *testing.T) {
	b := newBoard(Config{Shop: "hilltop"})
	b.hub.linked(true, "", noon)
	for i := range maxTiles + 3 {
		b.hub.receive("bayfill/hilltop/cart"+string(rune('a'+i))+"/presence", []byte(online("a", noon)), false, noon)
		b.hub.receive("bayfill/hilltop/cart"+string(rune('a'+i))+"/volumes", []byte(volumes("", 0, 0, 0)), false, noon)
	}
	named(t, "too much").hear(b, noon)
	o := b.hub.lookAll(words.Plain, "", noon)
	if o.Tiles[0].Key != "bay2" || !o.Tiles[0].Urgent || len(o.Tiles) != maxTiles-1 || o.More != 5 || o.Tiles[1].Urgent {
		t.Errorf("first %s, %d tiles, %d more", o.Tiles[0].Key, len(o.Tiles), o.More)
	}
}

// A service of several passes leads to the next drain, not to the level.
func TestNextPassIsTheMainAnswer(t *testing.T) {
	s := shown(t, named(t, "next pass"), words.Plain, 0)
	for _, a := range s.Answers {
		if a.Main != (a.Label == "Drain again") || strings.Contains(a.Commands, "checking") {
			t.Errorf("%+v", a)
		}
	}
	if s.Pass != "pass 1 of 2" {
		t.Errorf("pass %q", s.Pass)
	}
}

// The picture counts down to the same time as the figure.
func TestPictureAgreesWithTheFigure(t *testing.T) {
	for _, late := range []time.Duration{0, 400 * time.Millisecond, 1600 * time.Millisecond} {
		for _, name := range []string{"gears", "waiting", "open", "closing"} {
			if s := shown(t, named(t, name), words.Plain, late); s.Fig.Digits != s.Pic.Warmth.Awaited {
				t.Errorf("%s, after %v: the figure shows %s, the picture %s", name, late, s.Fig.Digits, s.Pic.Warmth.Awaited)
			}
		}
	}
}

// The dialog "more" names each instrument that is due, and every reason of the verdict.
func TestMoreSaysAll(t *testing.T) {
	state := named(t, "closed in doubt")
	for _, sensor := range []string{"caddy-scale", "probe"} {
		said := wire.Say(fillcalc.Text{Key: "alert.calibration_overdue", Names: map[string]string{"instrument": "caddy", "due_day": "2026-02-01T12:00:00Z", "cart": "bay2", "sensor": sensor}})
		state.alerts.Alerts = append(state.alerts.Alerts, wire.Alert{Code: wire.AlertCalibration, Said: said})
	}
	s := shown(t, state, words.Plain, 0)
	texts := strings.Join(s.Dialogs[len(s.Dialogs)-1].Texts, "\n")
	for _, part := range []string{"--sensor caddy-scale", "--sensor probe", "3 instruments are due", "nobody said what it was"} {
		if !strings.Contains(texts, part) {
			t.Errorf("does not say %q: %s", part, texts)
		}
	}
}

// A dipstick may read beyond its marks.
func TestDipstickBeyondTheMarks(t *testing.T) {
	s := shown(t, named(t, "open"), words.Plain, 0)
	for _, d := range s.Dialogs {
		if d.ID == "dipstick" {
			if first, last := d.Answers[0], d.Answers[len(d.Answers)-1]; !strings.Contains(first.Commands, `"share":-0.25`) || !strings.Contains(last.Commands, `"share":1.25`) {
				t.Errorf("%+v to %+v", first, last)
			}
			return
		}
	}
	t.Error("no dialog for the dipstick")
}

// The board takes the commands of every button, with what is typed beside it.
func TestEveryButtonIsTaken(t *testing.T) {
	typed := map[string]string{"by": "Ada", "vehicle": "van 7", "job": "order-7", "service_data": "van6-overflow", "fluid": "amber 6",
		"low_c": "95 °F", "high_c": "45 °C", "why": "it is so", "note": "at the pan", "l": "2 fl oz", "applied": "97 in-lb", "at": "2026-11-25T09:05:00Z"}
	for _, s := range states() {
		page := shown(t, s, words.Plain, 0)
		answers := append(slices.Clone(page.Answers), page.Pic.Offers...)
		for _, d := range page.Dialogs {
			answers = append(answers, d.Answers...)
			for _, r := range d.Rows {
				answers = append(answers, r.Answers...)
			}
		}
		for _, a := range answers {
			var commands []map[string]any
			if text := "[" + strings.Trim(a.Commands, "[]") + "]"; json.Unmarshal([]byte(text), &commands) != nil {
				t.Errorf("%s, %s: %s", s.name, a.Label, a.Commands)
			}
			for _, c := range commands {
				for _, field := range strings.Fields(a.With) {
					if c[field] = typed[field]; c[field] == "" {
						t.Errorf("%s, %s: nothing is typed as %s", s.name, a.Label, field)
					}
				}
				if _, err := wire.ParsePress(wire.Encode(c)); err != nil {
					t.Errorf("%s, %s: %v", s.name, a.Label, err)
				}
			}
		}
	}
}

// While a gear is held, the page says how long, and below it what is asked first; whose button
// is the main one.
func TestHeldGear(t *testing.T) {
	s := shown(t, named(t, "hold"), words.Plain, 0)
	if s.Say != "Hold R for 5 s more." || s.Why != "The window is open: check the level." {
		t.Errorf("%q, %q", s.Say, s.Why)
	}
	for _, a := range s.Answers {
		if a.Main != (a.Label == "No leaks seen") {
			t.Errorf("%+v", a)
		}
	}
}
