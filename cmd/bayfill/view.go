package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"bayfill/bridge/wrap"
)

// view shows a job in a terminal: one block that is updated in place or, when the
// output is not a terminal, plain lines.
type view struct {
	out    io.Writer
	silent bool // print nothing
	speed  float64
	live   bool // out is a terminal whose cursor can be moved
	width  int
	drawn  int  // lines of the block on the screen
	headed bool // the header of the plain lines has been printed
	last   time.Time
	latest shown
}

func newView(out io.Writer, silent bool, speed float64) *view {
	v := &view{out: out, silent: silent, speed: speed, width: terminalWidth(out)}
	if f, ok := out.(*os.File); ok && !silent && term.IsTerminal(int(f.Fd())) {
		v.live = os.Getenv("TERM") != "dumb"
	}
	return v
}

// intro says what is shown; ownBroker also how to connect to the demo's own broker.
func (v *view) intro(to contact, ownBroker bool) {
	v.print(fmt.Sprintf("A simulated drain cart, %.0f times as fast as life. All data is invented.", v.speed))
	v.print("Litres are at 20 °C; ± is the expanded uncertainty (k = 2).")
	v.print("Broker: " + to.broker.URL)
	v.print("Topics: " + to.prefix + "#")
	if ownBroker {
		v.print("User:   " + to.broker.Username + "  password: " + to.broker.Password)
	}
	v.print("")
}

// print prints one paragraph, wrapped to the terminal.
func (v *view) print(text string) {
	if v.silent {
		return
	}
	for _, line := range wrap.Lines(text, v.width) {
		fmt.Fprintln(v.out, line)
	}
}

// say prints one thing that the technician does or learns.
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

// show draws the latest messages, unless they were drawn a moment ago.
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
	if v.latest.volumes.Phase == "" {
		return
	}
	if !v.live {
		v.drawRow()
		return
	}
	for _, line := range viewLines(v.latest) {
		for _, part := range wrap.Lines(line, v.width) {
			fmt.Fprintln(v.out, part)
			v.drawn++
		}
	}
}

func (v *view) drawRow() {
	const row = "  %-9s  %-13s  %-13s  %9s  %8s  %s\n"
	if !v.headed {
		fmt.Fprintf(v.out, row, "phase", "drained L", "added L", "remains L", "fluid °C", "window")
		v.headed = true
	}
	s := v.latest
	fmt.Fprintf(v.out, row, s.volumes.Phase, plusMinus(float64(s.volumes.DrainedL), float64(s.volumes.DrainedUL)), plusMinus(float64(s.volumes.AddedL), float64(s.volumes.AddedUL)),
		litres(float64(s.volumes.RemainingL)), figure("%.1f", float64(s.window.TempC)), s.window.State)
}

// viewLines is the block that is updated in place.
func viewLines(s shown) []string {
	v := s.volumes
	lines := []string{
		"",
		fmt.Sprintf("phase     %s", strings.ToUpper(v.Phase)),
		fmt.Sprintf("drained   %s L  (at %.0f °C, k = 2)", plusMinus(float64(v.DrainedL), float64(v.DrainedUL)), float64(v.ReferenceC)),
		fmt.Sprintf("added     %s L", plusMinus(float64(v.AddedL), float64(v.AddedUL))),
		fmt.Sprintf("remains   %s L", litres(float64(v.RemainingL))),
		fmt.Sprintf("fluid     %s °C  window %s", figure("%.1f", float64(s.window.TempC)), strings.ToUpper(s.window.State)),
		fmt.Sprintf("signal    %s", v.Quality),
	}
	if p := s.job.Plan; p != nil {
		lines = append(lines, fmt.Sprintf("target    %s L  first fill %s L", plusMinus(float64(p.TargetL), float64(p.TargetUL)), litres(float64(p.FirstFillL))))
	}
	if tail := s.job.Tail; tail != nil {
		lines = append(lines, fmt.Sprintf("drips     five minutes more would gain %s L", plusMinus(float64(tail.In5MinL), float64(tail.In5MinUL))))
	}
	if float64(v.UndecidedL) > 0 {
		lines = append(lines, fmt.Sprintf("UNDECIDED %s L: nobody knows yet whether it is fluid", litres(float64(v.UndecidedL))))
	}
	for _, q := range s.job.Questions {
		lines = append(lines, "ASKED     "+q.Text)
	}
	for _, caution := range s.job.Cautions {
		lines = append(lines, "! "+caution)
	}
	return lines
}
