package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

const came = `"say":"ask.came","figures":{"came_kg":0.45},"names":{"scale":"caddy","at":"2026-11-25T09:08:00Z"}`

// beaten are the beats of a cart in a job whose presence came at some time.
func beaten(at time.Time) (b wire.Beats) {
	b.Take(&wire.Presence{Online: true, TS: at.UTC().Format(wire.TimeLayout), EveryS: wire.JobBeat.Seconds()}, false, at)
	return b
}

// onlineFor is a presence that is to be repeated within some time.
func onlineFor(every time.Duration) string {
	return string(wire.Encode(wire.Presence{Online: true, TS: time.Now().UTC().Format(wire.TimeLayout), EveryS: every.Seconds()}))
}

// seenAt is a cart in mid-job, as its leaves say it.
func seenAt(t *testing.T, now time.Time) shown {
	t.Helper()
	s := shown{connectedAt: now.Add(-time.Minute), beats: beaten(now), presenceAt: now, volumesAt: now.Add(-2 * time.Second),
		windowAt: now.Add(-4 * time.Second)}
	for text, into := range map[string]any{
		`{"online":true}`: &s.presence,
		`{"job":"van-7","phase":"checking","quality":"good","quality_code":"good","drained_l":4.2131,"drained_u_l":0.0124,"added_l":-0.0004,"added_u_l":0.011,
			"remaining_l":0.3131,"reference_c":20}`: &s.volumes,
		`{"state":"nearing","temp_c":31.44,"low_c":35,"high_c":45,"opens_in_s":103.4,"closes_in_s":null,"source":"fluid"}`: &s.window,
		`{"vehicle":"van, bay 2","questions":[{"change":2,"kg":0.45,"sensor":"caddy-scale",` + came + `,"answers":["fluid","gone"]}],
			"flow":{"next":[{` + came + `,"do":"answer","change":2},{"say":"ask.wait","text":"Wait for the check window."}]},"cautions":[{"say":"caution.hot_checking","text":"Hot fluid and exhaust: gloves, eye protection."}]}`: &s.job,
		`{"alerts":[{"kind":"calibration:caddy-probe","code":"calibration","sensor":"caddy-probe","say":"alert.calibration_never","names":{"instrument":"caddy-temp","cart":"bay2","sensor":"caddy-probe"}},
			{"kind":"job:caddy","code":"caddy","say":"alert.caddy","figures":{"free_l":0.8}}]}`: &s.alerts,
	} {
		if err := json.Unmarshal([]byte(text), into); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// textOf are the rows without their looks.
func textOf(rows []row) string {
	var lines []string
	for _, row := range rows {
		lines = append(lines, row.text)
	}
	return strings.Join(lines, "\n")
}

// The page in a window of forty columns, for readers of two kinds.
func TestWatchNarrow(t *testing.T) {
	now := time.Unix(1e9, 0)
	s := seenAt(t, now)
	for _, c := range []struct {
		r    words.Reader
		want string
	}{
		{words.Reader{Language: words.English, Units: units.Metric}, `hilltop/bay2  LIVE  2 s old
CHECKING  van-7  van, bay 2

> 0.45 kg came onto the caddy's scale
  at 09:08 UTC and stayed there. What
  is it?
  Answer: bayfill job answer 2
  fluid|gone

out            4.21 ± 0.01 L
in             0.00 ± 0.01 L
still to pour  0.31 L
fluid          31.4 °C
window         35.0 °C to 45.0 °C  NOT
  YET, opens in 1:39 min

! The caddy has room for 0.80 L: empty
  it before it runs over
! 1 instrument is due for calibration:
  bayfill doctor names it

> Wait for the check window.
· Hot fluid and exhaust: gloves, eye
  protection.`},
		{words.Reader{Language: words.Spanish, Units: units.US}, `hilltop/bay2  EN VIVO  de hace 2 s
COMPROBACIÓN  van-7  van, bay 2

> 0.99 lb llegaron a la balanza del`},
	} {
		c.r.Zone = time.UTC
		got := textOf(watchRows(s, c.r, "hilltop/bay2", now, 40))
		if !strings.HasPrefix(got, c.want) {
			t.Errorf("the page is\n%s", got)
		}
	}
	s.job.Vehicle = "van\x1b[2J"
	if strings.Contains(textOf(watchRows(s, words.Plain, "hilltop/bay2", now, 40)), "\x1b") {
		t.Error("a vehicle's name steers the terminal")
	}
}

// On a terminal of 80 columns and 24 rows nothing essential falls off, in any language and
// units, however much there is to say.
func TestWatchOnASmallTerminal(t *testing.T) {
	now := time.Unix(1e9, 0)
	s := seenAt(t, now)
	for range 9 {
		s.alerts.Alerts = append(s.alerts.Alerts, s.alerts.Alerts...)
		s.job.Cautions = append(s.job.Cautions, s.job.Cautions...)
	}
	for _, l := range words.Languages {
		for _, system := range units.Systems {
			r := words.Reader{Language: l.Language, Units: system, Zone: time.UTC}
			rows := cutRows(watchRows(s, r, "hilltop/bay2", now, 80), r, 24)
			got := textOf(rows)
			for _, want := range []string{
				s.job.Flow.Next[0].For(r)[:20], "bayfill job answer 2 fluid|gone", plusMinus(r, 4.2131, 0.0124), plusMinus(r, 0, 0.011), volume(r, 0.3131),
				strings.ToUpper(r.Word("window.nearing")), "1:39", s.alerts.Alerts[1].For(r)[:30], "… ",
			} {
				if !strings.Contains(got, want) {
					t.Errorf("%s, %s: %q is not on the page:\n%s", l.Language, system, want, got)
				}
			}
			for _, row := range rows {
				if utf8.RuneCountInString(row.text) > 80 {
					t.Errorf("wider than the terminal: %s", row.text)
				}
			}
			if len(rows) != 24 {
				t.Errorf("%d rows", len(rows))
			}
		}
	}
	t.Setenv("NO_COLOR", "1")
	if page := string(drawPage([]row{{"a", red}}, 80)); !strings.Contains(page, "\x1b[1ma\x1b[m") {
		t.Errorf("%q is not bold without a colour", page)
	}
	t.Setenv("NO_COLOR", "")
	if page := string(drawPage([]row{{"a", red}}, 80)); !strings.Contains(page, "\x1b[1;31ma\x1b[m") {
		t.Errorf("%q has no colours", page)
	}
}

// Silence is reported within three seconds, whoever is silent, and what is old is not
// shown as live.
func TestWatchReportsSilence(t *testing.T) {
	now := time.Unix(1e9, 0)
	for _, c := range []struct {
		what         string
		change       func(s *shown)
		says, values string
	}{
		{"all is well", func(s *shown) {}, "", "LIVE  2 s old"},
		{"the next beat is late", func(s *shown) { s.beats = beaten(now.Add(-2900 * time.Millisecond)) }, "", "LIVE  2 s old"},
		{"it is missing", func(s *shown) { s.beats = beaten(now.Add(-3100 * time.Millisecond)) }, "term.cart_silent for_s=3", "last known."},
		{"just connected", func(s *shown) { s.beats, s.connectedAt = wire.Beats{}, now }, "term.cart_awaited", "last known."},
		{"connected for long, and no beat", func(s *shown) { s.beats = wire.Beats{} }, "term.cart_silent for_s=60", "last known."},
		{"offline", func(s *shown) { s.presence.Online = false }, "term.cart_lost", "last known."},
		{"stopped", func(s *shown) { s.presence = wire.Presence{Why: "stopped"} }, "term.cart_stopped", "last known."},
		{"no broker", func(s *shown) { s.trouble, s.troubleAt = errors.New("refused"), now.Add(-4*time.Second) }, "term.no_broker for_s=4 refused", "last known."},
		{"not yet a broker", func(s *shown) { s.trouble, s.troubleAt = errConnecting, now.Add(-time.Second) }, "", "LIVE  2 s old"},
		{"never a broker", func(s *shown) { s.trouble, s.troubleAt = errConnecting, now.Add(-2100*time.Millisecond) }, "term.no_broker for_s=2 connecting", "last known."},
		{"no cart", func(s *shown) {
			s.presenceAt = time.Time{}
			s.beats, s.connectedAt = wire.Beats{}, now.Add(-2500*time.Millisecond)
		}, "term.no_cart", "last known."},
		{"kept by the broker", func(s *shown) { s.kept, s.volumes.TS = true, "2026-11-25T09:08:00Z" }, "", "LIVE  as of 09:08"},
		{"kept by the broker, stopped", func(s *shown) { s.kept, s.presence.Online, s.presence.Why = true, false, "stopped" }, "term.cart_stopped", "last known, kept by the broker"},
	} {
		s := seenAt(t, now)
		c.change(&s)
		got := s.silence(words.Plain, "a/b", now)
		if text := fmt.Sprintf("%s for_s=%g %s", got.Key, got.Figures["for_s"], got.Names["reason"]); !strings.HasPrefix(text, c.says) || (got.Key == "") != (c.says == "") {
			t.Errorf("%s: %q, want %q", c.what, text, c.says)
		}
		if page := textOf(watchRows(s, words.Plain, "a/b", now, 80)); !strings.Contains(strings.Join(strings.Fields(page), " "), strings.Join(strings.Fields(c.values), " ")) {
			t.Errorf("%s: does not say %q:\n%s", c.what, c.values, page)
		}
	}
}

// Lines when the output is no terminal: a live cart, and its end within three
// seconds.
func TestWatchPlain(t *testing.T) {
	b := openBay(t, "")
	ctx, stop := context.WithCancel(t.Context())
	var out bridgetest.Output
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, []string{"watch"}, strings.NewReader(""), &out, &out) }()
	bridgetest.Eventually(t, 10*time.Second, "the cart", func() bool {
		return strings.Contains(out.String(), "hilltop/bay2 is heard") && strings.Contains(out.String(), "out – ± – L")
	})
	job(t, "open", "--fluid", "amber 6", "--low-c", "35", "--high-c", "45")
	bridgetest.Eventually(t, 10*time.Second, "the job", func() bool { return strings.Contains(out.String(), "ready ") })
	began := time.Now()
	b.stop()
	bridgetest.Eventually(t, 10*time.Second, "the end", func() bool {
		return strings.Contains(out.String(), "CART OFFLINE") || strings.Contains(out.String(), "NO BROKER")
	})
	if long := time.Since(began); long > 4*time.Second {
		t.Errorf("the end was reported after %v", long)
	}
	stop()
	if status := <-ended; status != 0 {
		t.Errorf("status %d: %s", status, out.String())
	}
}

// A broker that is stopped in mid-air is noticed within three seconds, and the
// terminal is given back when it ends.
func TestWatchPage(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	url := broker.URL
	setContact(t, url, "", "")
	cart := subscribeAll(t, url, "", "", func(mqtt.Message) {})
	keyboard, screen, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer screen.Close()
	if err := pty.Setsize(keyboard, &pty.Winsize{Cols: 40, Rows: 12}); err != nil {
		t.Fatal(err)
	}
	var out bridgetest.Output
	read := make(chan struct{})
	go func() { io.Copy(&out, keyboard); close(read) }()
	t.Setenv("TERM", "xterm")
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, []string{"watch"}, strings.NewReader(""), screen, os.Stderr) }()
	bridgetest.Eventually(t, 10*time.Second, "the page", func() bool {
		publish(t, cart, prefix+"volumes", true, `{"phase":"ready"}`)
		publish(t, cart, prefix+"presence", true, onlineFor(wire.JobBeat))
		return strings.Contains(out.String(), "hilltop/bay2  LIVE ")
	})
	began := time.Now()
	if err := broker.Cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	bridgetest.Eventually(t, 10*time.Second, "the silence", func() bool { return strings.Contains(out.String(), "!! CART SILENT") })
	if long := time.Since(began); long > 4*time.Second {
		t.Errorf("the silence was reported after %v", long)
	}
	stop()
	if status := <-ended; status != 0 {
		t.Errorf("status %d", status)
	}
	screen.Close()
	keyboard.Close()
	<-read
	if got := out.String(); !strings.HasPrefix(got, "\x1b[?1049h\x1b[?25l") || !strings.HasSuffix(got, "\x1b[?25h\x1b[?1049l") {
		t.Errorf("the terminal is not given back: %q", got)
	}
}
