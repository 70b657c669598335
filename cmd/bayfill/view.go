package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"bayfill/bridge/audit"
	"bayfill/bridge/words"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// view shows a job in a terminal: one block that is updated in place or, when the
// output is not a terminal, plain lines.
type view struct {
	out    io.Writer
	reader words.Reader
	silent bool // print nothing
	live   bool // out is a terminal whose cursor can be moved
	width  int
	drawn  int  // lines of the block on the screen
	headed bool // the header of the plain lines has been printed
	latest shown

	hidden   bool          // a chapter is played that is not shown
	chapters int           // that were shown
	last     time.Time     // when something was drawn
	lastAt   time.Duration // the same by the demo's clock
}

func newView(out io.Writer, r words.Reader, silent bool) *view {
	v := &view{out: out, reader: r, silent: silent, width: terminalWidth(out)}
	if f, ok := out.(*os.File); ok && !silent && term.IsTerminal(int(f.Fd())) {
		v.live = os.Getenv("TERM") != "dumb"
	}
	return v
}

// intro says what is shown, and how to watch it with another client.
func (v *view) intro(to contact, dir string, ownBroker bool) {
	v.print(v.reader.Say(fillcalc.Text{Key: "demo.intro", Figures: figures{"reference_c": 20}}))
	v.print("MQTT: " + to.broker.URLs[0] + "  " + to.prefix + "#")
	if ownBroker {
		v.print("      " + to.broker.Username + "  " + passwordPath(dir))
	}
	v.print("")
}

// chapter begins a part of the job that is shown.
func (v *view) chapter(name string) {
	v.chapters++
	if v.silent {
		return
	}
	v.erase()
	fmt.Fprintf(v.out, "\n== %s ==\n\n", v.reader.Word("demo.chapter_"+name))
	v.headed = false
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
func (v *view) say(t fillcalc.Text) {
	if v.silent || v.hidden {
		return
	}
	v.erase()
	v.print("» " + v.reader.Say(t))
	if v.live {
		v.draw()
	}
	v.last = time.Now()
}

// verdict prints what an audit found, with reasons only where it found something.
func (v *view) verdict(report *audit.Report, verdict audit.Verdict) {
	for _, f := range report.Findings {
		v.print("  - " + f.Text)
	}
	for _, c := range verdict.Criteria {
		line := "  - " + c.Title + ": " + v.reader.Word("outcome."+string(c.Outcome))
		if c.Outcome != fillcalc.Passed {
			line += ". " + strings.Join(c.Says, " ")
		}
		v.print(line)
	}
	v.print(v.reader.Say(fillcalc.Text{Key: "audit.verdict", Names: names{"outcome": string(verdict.Outcome)}}))
	v.print("")
}

// plainEvery is the time between two plain lines by the demo's clock, liveEvery between two
// pictures of the screen by the computer's.
const (
	plainEvery = 40 * time.Second
	liveEvery  = 100 * time.Millisecond
)

// show draws the latest messages, which came at a time by the demo's clock, unless some
// were drawn a moment ago.
func (v *view) show(s shown, at time.Duration) {
	v.latest = s
	early := at-v.lastAt < plainEvery
	if v.live {
		early = time.Since(v.last) < liveEvery
	}
	if v.silent || v.hidden || early {
		return
	}
	v.last, v.lastAt = time.Now(), at
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
	for _, row := range viewRows(v.latest, v.reader, time.Now(), v.width) {
		fmt.Fprintln(v.out, row.text)
		v.drawn++
	}
}

func (v *view) drawRow() {
	const row = "%-15s %-15s %-15s %-9s %-8s %s\n"
	s, r := v.latest, v.reader
	if !v.headed {
		fmt.Fprintf(v.out, row, "", r.Word("term.out"), r.Word("term.in"), r.Word("term.pour"), r.Word("term.fluid"), r.Word("term.window"))
		v.headed = true
	}
	fmt.Fprintf(v.out, row, r.Word("phase."+s.volumes.Phase), plusMinus(r, float64(s.volumes.DrainedL), float64(s.volumes.DrainedUL)), plusMinus(r, float64(s.volumes.AddedL), float64(s.volumes.AddedUL)),
		volume(r, float64(s.volumes.RemainingL)), r.Units.TemperatureUnit().Text(float64(s.window.TempC)), r.Word("window."+cmp.Or(s.window.State, string(fillcalc.Blind))))
}

// viewRows is the block that is updated in place: the page of watch without its head.
func viewRows(s shown, r words.Reader, now time.Time, width int) []row {
	p := &page{width: width, r: r}
	p.gap()
	p.job(s)
	p.instruction(s)
	p.figures(s, now)
	p.rest(s)
	return p.rows
}
