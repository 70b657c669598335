package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

var update = flag.Bool("update", false, "renew the golden files")

const screenWidth, screenHeight = 80, 24

// terminal shows what a program writes, as far as watch needs it: ECMA-48 with home, clear
// and colours.
type terminal struct {
	rows     [screenHeight][]rune
	looks    [screenHeight]string // of the row's first character
	row, col int
	look     string
}

var control = regexp.MustCompile(`^\x1b\[([?0-9;]*)([A-Za-z])`)

func (s *terminal) write(text string) {
	for text != "" {
		if m := control.FindStringSubmatch(text); m != nil {
			s.control(m[2], m[1])
			text = text[len(m[0]):]
			continue
		}
		r, size := utf8.DecodeRuneInString(text)
		text = text[size:]
		switch r {
		case '\r':
			s.col = 0
		case '\n':
			s.row = min(s.row+1, screenHeight-1)
		default:
			s.put(r)
		}
	}
}

func (s *terminal) control(command, parameters string) {
	switch command {
	case "H":
		s.row, s.col = 0, 0
	case "m":
		s.look = parameters
	case "K":
		s.rows[s.row] = s.rows[s.row][:min(s.col, len(s.rows[s.row]))]
	case "J":
		s.control("K", "")
		for i := s.row + 1; i < screenHeight; i++ {
			s.rows[i] = nil
		}
	}
}

func (s *terminal) put(r rune) {
	row := append(s.rows[s.row], []rune(strings.Repeat(" ", max(0, s.col+1-len(s.rows[s.row]))))...)
	row[s.col] = r
	if s.col == 0 {
		s.looks[s.row] = s.look
	}
	s.rows[s.row] = row
	s.col++
}

// String is the screen, each row behind its look.
func (s *terminal) String() string {
	text := ""
	for i, row := range s.rows {
		look := map[string]string{"": " ", "1": "B", "1;31": "R", "1;32": "G", "1;33": "Y"}[s.looks[i]]
		if len(row) == 0 {
			look = " "
		}
		text += strings.TrimRight(look+"|"+string(row), " ") + "\n"
	}
	return text
}

// watched is a cart in a phase, as its leaves say it, with much to say.
type watched struct {
	name    string
	volumes wire.Volumes
	window  wire.Window
	job     wire.Job
	alerts  wire.Alerts
}

// inPhase is an invented job after what came out and went in.
func inPhase(phase string, outL, inL, remainingL float64) watched {
	nan := wire.Number(math.NaN())
	w := watched{name: phase,
		volumes: wire.Volumes{Job: "van-7", Phase: phase, Quality: "good", QualityCode: "good", DrainedL: wire.Number(outL), DrainedUL: 0.016, AddedL: wire.Number(inL), AddedUL: 0.015,
			RemainingL: wire.Number(remainingL), ReferenceC: 20},
		window: wire.Window{State: "below", TempC: 27.9, LowC: 35, HighC: 45, OpensInS: nan, ClosesInS: nan, Source: "fluid"},
		job:    wire.Job{Job: "van-7", Vehicle: "Courier van, 6-speed", Phase: phase},
	}
	if !math.IsNaN(remainingL) {
		w.job.Plan = &wire.JobPlan{TargetL: wire.Number(outL + 0.2), TargetUL: 0.03, FirstFillL: wire.Number(0.8 * (outL + 0.2)), RemainingL: wire.Number(remainingL), RemainingUL: 0.03, Notes: []wire.Said{
			wire.Say(fillcalc.Text{Key: fillcalc.NoteBottles, Figures: figures{"count": 5, "bottle_l": 0.946, "less_pct": 3, "target_u_l": 0.02}})}}
	}
	for _, key := range []string{"caution.hot_fluid", "caution.pan_full", "caution.chocked", "caution.defers"} {
		w.job.Cautions = append(w.job.Cautions, wire.Say(fillcalc.Text{Key: key}))
	}
	w.alerts.Alerts = []wire.Alert{
		{Code: wire.AlertCalibration, Said: wire.Say(fillcalc.Text{Key: "alert.calibration_never", Names: names{"instrument": "caddy-temp", "cart": "bay2", "sensor": "caddy-probe"}})},
		{Code: wire.AlertScatter, Said: wire.Say(fillcalc.Text{Key: "alert.scatter", Figures: figures{"seen_kg": 0.012, "configured_kg": 0.004}, Names: names{"scale": "caddy"}})},
		{Code: wire.AlertCaddy, Said: wire.Say(fillcalc.Text{Key: "alert.caddy", Figures: figures{"free_l": 0.8}})},
	}
	return w
}

func (w watched) asks(key string, tone fillcalc.Tone, f figures, n names) watched {
	w.job.Flow.Next = append(w.job.Flow.Next, wire.JobAsk{Tone: string(tone), Said: wire.Say(fillcalc.Text{Key: key, Figures: f, Names: n})})
	return w
}

func (w watched) at(state string, celsius, opensS, closesS float64) watched {
	w.window.State, w.window.TempC, w.window.OpensInS, w.window.ClosesInS = state, wire.Number(celsius), wire.Number(opensS), wire.Number(closesS)
	return w
}

// watchedPhases are a job's phases, with what is hardest to fit in each.
func watchedPhases() []watched {
	nan := math.NaN()
	asked := inPhase("service", 3.913, 0, 3.13)
	asked.name = "service, asked"
	about, n := figures{"went_kg": 1.23}, names{"scale": "caddy+supply", "at": "2026-11-25T09:28:00Z", "said_at": "2026-11-25T09:08:00Z"}
	said := wire.Say(fillcalc.Text{Key: "ask.contradicts", Figures: about, Names: n})
	asked.job.Questions = []wire.JobQuestion{{Change: 3, Answers: []string{"fluid", "gone", "thing", "container"}, Said: said}}
	asked.job.Flow.Next = []wire.JobAsk{{Tone: string(fillcalc.ToneAnswer), Change: 3, Said: said}}
	asked.volumes.UndecidedL = 1.43
	draining := inPhase("draining", 3.12, 0, nan).asks("ask.drips", fillcalc.ToneDo, figures{"more_l": 0.04}, nil)
	draining.volumes.DrainedLMin = 0.9
	over := inPhase("filling", 4.213, 4.81, -0.4).asks("ask.too_much", fillcalc.ToneStop, figures{"over_l": 0.4}, nil)
	over.name = "filling, too much"
	dead := inPhase("filling", 4.213, 0.63, nan).asks("ask.no_scale", fillcalc.ToneUnmeasured, nil, names{"scale": "supply", "fault": "no_reading"})
	dead.name = "filling, silent"
	dead.volumes.AddedL, dead.volumes.AddedUL, dead.volumes.QualityCode, dead.volumes.QualityOf = wire.Number(nan), wire.Number(nan), "silent", "supply-scale"
	judged := inPhase("checking", 4.213, 4.40, 0.01).asks("ask.check_now", fillcalc.ToneCheck, nil, nil).at("open", 38.4, nan, 200)
	judged.name = "checking, open"
	return []watched{
		inPhase("ready", 0, 0, nan).asks("ask.caddy_small", fillcalc.ToneDo, figures{"free_l": 3.1, "coming_l": 6}, nil),
		draining,
		inPhase("service", 3.913, 0, 3.13).asks("ask.record", fillcalc.ToneDo, nil, names{"item": "seal"}).asks("ask.pan_closed", fillcalc.ToneDo, nil, nil),
		asked,
		inPhase("filling", 4.213, 0.63, 2.72).asks("ask.pour", fillcalc.ToneDo, figures{"more_l": 2.72}, nil),
		over, dead,
		inPhase("running", 4.213, 3.53, 0.88).asks("ask.hold", fillcalc.ToneDo, figures{"left_s": 4}, names{"gear": "R"}).asks("ask.gears", fillcalc.ToneDo, nil, nil).at("nearing", 31.2, 233, nan),
		inPhase("checking", 4.213, 4.40, 0.01).asks("ask.wait", fillcalc.ToneWait, nil, nil).at("nearing", 34.2, 80, nan),
		judged,
		inPhase("closed", 4.213, 4.40, nan).asks("ask.open", fillcalc.ToneDone, nil, nil),
	}
}

var (
	passes    = regexp.MustCompile(`\b\d+ s\b( old)?`)
	countdown = regexp.MustCompile(`\d+:\d\d min`)
)

// What is essential is on a page of 80 by 24 in each phase, in all languages and units.
func TestWatchFits(t *testing.T) {
	now := time.Unix(1e9, 0)
	for _, l := range words.Languages {
		for _, system := range units.Systems {
			r := words.Reader{Language: l.Language, Units: system, Zone: time.UTC}
			for _, w := range watchedPhases() {
				s := shown{connectedAt: now, beats: beaten(now), presenceAt: now, volumesAt: now, windowAt: now, volumes: w.volumes, window: w.window, job: w.job, alerts: w.alerts}
				s.presence.Online = true
				page := textOf(cutRows(watchRows(s, r, "hilltop/bay2", now, screenWidth), r, screenHeight))
				for _, want := range append(essentials(&w, r), beginning(w.job.Flow.Next[0].For(r))) {
					if !strings.Contains(page, want) {
						t.Errorf("%s, %s, %s: %q is not on the page:\n%s", w.name, l.Language, system, want, page)
					}
				}
			}
		}
	}
}

// TestWatchScreens runs watch on a pseudo-terminal of 80 columns and 24 rows and takes its
// screen in each phase: what is essential is on it. Somebody has looked at the golden screens;
// -update writes them.
func TestWatchScreens(t *testing.T) {
	bridgetest.Slow(t)
	local := time.Local
	time.Local = time.UTC
	t.Cleanup(func() { time.Local = local })
	t.Setenv("TERM", "xterm")
	t.Setenv("NO_COLOR", "")
	broker := bridgetest.StartMosquitto(t)
	setContact(t, broker.URL, "", "")
	cart := subscribeAll(t, broker.URL, "", "", func(mqtt.Message) {})
	for _, r := range []words.Reader{{Language: words.English, Units: units.Metric}, {Language: words.English, Units: units.US}, {Language: words.Spanish, Units: units.US}} {
		r.Zone = time.UTC
		name := string(r.Language) + "-" + string(r.Units)
		t.Run(name, func(t *testing.T) {
			screen, end := watchOn(t, "--units", string(r.Units), "--lang", string(r.Language))
			defer end()
			all := ""
			for _, w := range watchedPhases() {
				bridgetest.Eventually(t, 10*time.Second, w.name, func() bool {
					publish(t, cart, prefix+"presence", true, onlineFor(time.Hour))
					for leaf, m := range map[string]any{"window": w.window, "job": w.job, "alerts": w.alerts, "volumes": w.volumes} {
						publish(t, cart, prefix+leaf, false, string(wire.Encode(m)))
					}
					page := screen()
					return strings.Contains(page, "> "+beginning(w.job.Flow.Next[0].For(r))) && strings.Contains(page, essentials(&w, r)[0])
				})
				time.Sleep(2 * watchEvery) // the last leaf is drawn
				got := countdown.ReplaceAllString(screen(), "M:SS min")
				for _, want := range essentials(&w, r) {
					if !strings.Contains(got, want) {
						t.Errorf("%s: %q is not on the screen:\n%s", w.name, want, got)
					}
				}
				first, rest, _ := strings.Cut(got, "\n")
				all += fmt.Sprintf("=== %s\n%s\n%s", w.name, passes.ReplaceAllString(first, "N s$1"), rest)
			}
			goldenScreens(t, name+".txt", all)
		})
	}
}

// watchOn runs watch on a pseudo-terminal. screen returns what it shows.
func watchOn(t *testing.T, args ...string) (screen func() string, end func()) {
	t.Helper()
	keyboard, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if err := pty.Setsize(keyboard, &pty.Winsize{Cols: screenWidth, Rows: screenHeight}); err != nil {
		t.Fatal(err)
	}
	var out bridgetest.Output
	read, ended := make(chan struct{}), make(chan int, 1)
	go func() { io.Copy(&out, keyboard); close(read) }()
	ctx, stop := context.WithCancel(t.Context())
	go func() { ended <- run(ctx, append([]string{"watch"}, args...), strings.NewReader(""), tty, os.Stderr) }()
	screen = func() string {
		var s terminal
		s.write(out.String())
		return s.String()
	}
	return screen, func() {
		stop()
		if status := <-ended; status != 0 {
			t.Errorf("status %d", status)
		}
		tty.Close()
		keyboard.Close()
		<-read
	}
}

// essentials are the beginnings of what must be on the screen besides the instruction: the
// phase, the three figures, the window, the worst alert.
func essentials(w *watched, r words.Reader) []string {
	toPour := r.Word("term.to_pour")
	if w.volumes.RemainingL < 0 {
		toPour = r.Word("term.too_much")
	}
	return []string{
		strings.ToUpper(r.Word("phase." + w.volumes.Phase)),
		plusMinus(r, float64(w.volumes.DrainedL), float64(w.volumes.DrainedUL)),
		plusMinus(r, float64(w.volumes.AddedL), float64(w.volumes.AddedUL)),
		toPour, r.Units.LargeVolumeUnit().Digits(math.Abs(float64(w.volumes.RemainingL))),
		strings.ToUpper(r.Word("window." + w.window.State)),
		"! " + beginning(wire.ByHarm(w.alerts.Alerts)[0].For(r)),
	}
}

// beginning is as much of a sentence as stands on one line.
func beginning(text string) string {
	runes := []rune(text)
	return string(runes[:min(len(runes), 40)])
}

// goldenScreens compares screens with a file of testdata/watch, or writes it there.
func goldenScreens(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", "watch", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	wanted := strings.Split(string(want), "\n")
	for i, line := range strings.Split(got, "\n") {
		if i >= len(wanted) || line != wanted[i] {
			t.Fatalf("%s:%s: got %q", path, strconv.Itoa(i+1), line)
		}
	}
}
