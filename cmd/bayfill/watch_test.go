package main

import (
	"context"
	"encoding/json"
	"io"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// seenAt is a cart in mid-job, as its leaves say it.
func seenAt(t *testing.T, now time.Time) shown {
	t.Helper()
	s := shown{connectedAt: now.Add(-time.Minute), heardAt: now, readingAt: now, presenceAt: now, volumesAt: now.Add(-2 * time.Second),
		windowAt: now.Add(-4 * time.Second)}
	for text, into := range map[string]any{
		`{"online":true}`: &s.presence,
		`{"job":"van-7","phase":"checking","quality":"good","quality_code":"good","drained_l":4.2131,"drained_u_l":0.0124,"added_l":-0.0004,"added_u_l":0.011,
			"remaining_l":0.3131,"reference_c":20}`: &s.volumes,
		`{"state":"nearing","temp_c":31.44,"low_c":35,"high_c":45,"opens_in_s":103.4,"closes_in_s":null,"source":"fluid"}`: &s.window,
		`{"vehicle":"van, bay 2","questions":[{"change":2,"kg":0.45,"sensor":"caddy-scale","text":"What?","answers":["fluid","gone"]}],
			"flow":{"next":[{"text":"Wait for the check window."}]},"cautions":["Hot fluid and exhaust: gloves, eye protection."]}`: &s.job,
		`{"alerts":[{"kind":"caddy","text":"the caddy has room for 0.8 L: empty it before it runs over"}]}`: &s.alerts,
	} {
		if err := json.Unmarshal([]byte(text), into); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// The page in a window of forty columns.
func TestWatchNarrow(t *testing.T) {
	now := time.Unix(1e9, 0)
	s := seenAt(t, now)
	const want = `hilltop/bay2  online
job       van-7 van, bay 2

phase     CHECKING
drained   4.213 ± 0.012 L
added     0.000 ± 0.011 L
remaining 0.313 L
fluid     31.4 °C
window    NEARING, opens in 1:39 min
values    2 s old

ASKED: bayfill job answer CHANGE AS
change 2, +0.450 kg on caddy-scale:
  fluid, gone?

ALERTS
! the caddy has room for 0.8 L: empty
  it before it runs over

NEXT
> Wait for the check window.

! Hot fluid and exhaust: gloves, eye
  protection.`
	if got := strings.Join(watchLines(s, "hilltop/bay2", now, 40), "\n"); got != want {
		t.Errorf("the page is\n%s", got)
	}
	s.job.Vehicle = "van\x1b[2J"
	if strings.Contains(strings.Join(watchLines(s, "hilltop/bay2", now, 40), "\n"), "\x1b") {
		t.Error("a vehicle's name steers the terminal")
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
		{"all is well", func(s *shown) {}, "", "values    2 s old"},
		{"readings pause", func(s *shown) { s.heardAt = now.Add(-2900 * time.Millisecond); s.readingAt = s.heardAt }, "CART SILENT: nothing from a/b for 2 s", "last known"},
		{"a cart without readings", func(s *shown) { s.heardAt = now.Add(-9 * time.Second); s.readingAt = time.Time{} }, "", "values    2 s old"},
		{"… that falls silent", func(s *shown) { s.heardAt = now.Add(-12 * time.Second); s.readingAt = time.Time{} }, "CART SILENT: nothing from a/b for 12 s", "last known"},
		{"just connected again", func(s *shown) { s.heardAt = now.Add(-time.Minute); s.connectedAt = now }, "", "values    2 s old"},
		{"offline", func(s *shown) { s.presence.Online = false }, "CART OFFLINE: a/b has lost its connection", "last known"},
		{"stopped", func(s *shown) { s.presence = wire.Presence{Why: "stopped"} }, "CART OFFLINE: a/b stopped", "last known"},
		{"no broker", func(s *shown) { s.trouble, s.troubleAt = "refused", now.Add(-4*time.Second) }, "NO BROKER: for 4 s, refused", "last known"},
		{"not yet a broker", func(s *shown) { s.trouble, s.troubleAt = connecting, now.Add(-time.Second) }, "", "values    2 s old"},
		{"never a broker", func(s *shown) { s.trouble, s.troubleAt = connecting, now.Add(-2100*time.Millisecond) }, "NO BROKER: for 2 s, connecting", "last known"},
		{"no cart", func(s *shown) {
			s.presenceAt = time.Time{}
			s.heardAt, s.connectedAt = time.Time{}, now.Add(-2500*time.Millisecond)
		}, "NO CART: nothing is known of a/b", "last known"},
		{"kept by the broker", func(s *shown) { s.kept = true }, "", "last known, kept by the broker"},
	} {
		s := seenAt(t, now)
		c.change(&s)
		if got := s.silence("a/b", now); !strings.HasPrefix(got, c.says) || (got == "") != (c.says == "") {
			t.Errorf("%s: %q, want %q", c.what, got, c.says)
		}
		if page := strings.Join(watchLines(s, "a/b", now, 80), "\n"); !strings.Contains(page, c.values) {
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
		return strings.Contains(out.String(), "hilltop/bay2 is heard") && strings.Contains(out.String(), "drained – ± – L")
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
	publish(t, cart, prefix+"presence", true, `{"online":true}`)
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
		publish(t, cart, prefix+"readings", false, `{}`)
		return strings.Contains(out.String(), "hilltop/bay2  online") && strings.Contains(out.String(), "values    0 s old")
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
