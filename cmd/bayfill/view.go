package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"bayfill/bridge/wrap"
)

// view shows a job in a terminal: one block that is drawn again in place, or
// plain lines when the output is no terminal.
type view struct {
	out    io.Writer
	silent bool
	speed  float64
	live   bool
	width  int
	drawn  int  // lines of the block on the screen
	headed bool // the plain lines have their header
	last   time.Time
	latest shown
}

func newView(out io.Writer, silent bool, speed float64) *view {
	v := &view{out: out, silent: silent, speed: speed, width: 78}
	if f, ok := out.(*os.File); ok && !silent && term.IsTerminal(int(f.Fd())) {
		v.live = os.Getenv("TERM") != "dumb"
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
			v.width = w
		}
	}
	return v
}

func (v *view) intro(broker, prefix, username, password string, own bool) {
	v.print(fmt.Sprintf("A simulated drain cart, %.0f times as fast as life. All data is invented.", v.speed))
	v.print("Litres are at 20 °C; ± is the expanded uncertainty (k = 2).")
	v.print("Broker: " + broker)
	v.print("Topics: " + prefix + "#")
	if own {
		v.print("User:   " + username + "  password: " + password)
	}
	v.print("")
}

// print writes one paragraph, wrapped to the terminal.
func (v *view) print(text string) {
	if v.silent {
		return
	}
	for _, line := range wrap.Lines(text, v.width) {
		fmt.Fprintln(v.out, line)
	}
}

// say prints one thing that the technician does or hears.
func (v *view) say(what string) {
	if v.silent {
		return
	}
	v.erase()
	v.print("» " + what)
	if v.live {
		v.draw()
	}
	v.last = time.Now()
}

func (v *view) show(s shown) {
	v.latest = s
	every := 100 * time.Millisecond
	if !v.live {
		every = 2 * time.Second
	}
	if v.silent || time.Since(v.last) < every {
		return
	}
	v.last = time.Now()
	v.erase()
	v.draw()
}

func (v *view) erase() {
	if v.live && v.drawn > 0 {
		fmt.Fprintf(v.out, "\x1b[%dA\x1b[J", v.drawn)
		v.drawn = 0
	}
}

func (v *view) draw() {
	s := v.latest
	if s.volumes.Phase == "" {
		return
	}
	uncertain := func(l, u float64) string {
		return figure("%.3f", math.Round(l*1e3)/1e3+0) + " ± " + figure("%.3f", u) // no -0
	}
	drained := uncertain(float64(s.volumes.DrainedL), float64(s.volumes.DrainedUL))
	added := uncertain(float64(s.volumes.AddedL), float64(s.volumes.AddedUL))
	remains := figure("%.3f", float64(s.volumes.RemainingL))
	fluid := figure("%.1f", float64(s.window.TempC))
	if !v.live {
		const row = "  %-9s  %-13s  %-13s  %9s  %8s  %s\n"
		if !v.headed {
			fmt.Fprintf(v.out, row, "phase", "drained L", "added L", "remains L", "fluid °C", "window")
			v.headed = true
		}
		fmt.Fprintf(v.out, row, s.volumes.Phase, drained, added, remains, fluid, s.window.State)
		return
	}
	lines := []string{
		"",
		fmt.Sprintf("phase     %s", strings.ToUpper(s.volumes.Phase)),
		fmt.Sprintf("drained   %s L  (at %.0f °C, k = 2)", drained, float64(s.volumes.ReferenceC)),
		fmt.Sprintf("added     %s L", added),
		fmt.Sprintf("remains   %s L", remains),
		fmt.Sprintf("fluid     %s °C  window %s", fluid, strings.ToUpper(s.window.State)),
		fmt.Sprintf("signal    %s", s.volumes.Quality),
	}
	if p := s.job.Plan; p != nil {
		lines = append(lines, fmt.Sprintf("target    %s L  first fill %s L", uncertain(float64(p.TargetL), float64(p.TargetUL)), figure("%.3f", float64(p.FirstFillL))))
	}
	if tail := s.job.Tail; tail != nil {
		lines = append(lines, fmt.Sprintf("drips     five minutes more would gain %s L", uncertain(float64(tail.In5MinL), float64(tail.In5MinUL))))
	}
	if n := len(s.job.Undecided); n > 0 {
		lines = append(lines, fmt.Sprintf("UNDECIDED %d step(s), %s L: fluid, object, pan, swap or lean?", n, figure("%.3f", float64(s.volumes.UndecidedL))))
	}
	for _, caution := range s.job.Cautions {
		lines = append(lines, "! "+caution)
	}
	for _, line := range lines {
		for _, part := range wrap.Lines(line, v.width) {
			fmt.Fprintln(v.out, part)
			v.drawn++
		}
	}
}
