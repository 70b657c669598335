package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

func watchCommand() *cobra.Command {
	var o contactFlags
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Watch a cart live",
		Long: `Watch a cart live: a page that is updated in place or, when the output is not a
terminal, a line for each change. It waits for a broker or a cart that is not there.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := o.contact()
			if err != nil {
				return err
			}
			s := newStation(c)
			s.start()
			defer s.close()
			cart := o.shop + "/" + o.cart
			if f, ok := cmd.OutOrStdout().(*os.File); ok && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb" {
				return watchPage(cmd.Context(), f, s, cart)
			}
			return watchPlain(cmd.Context(), cmd.OutOrStdout(), s, cart)
		},
	}
	o.add(cmd.Flags())
	return cmd
}

// watchEvery is the interval at which the latest messages are looked at.
const watchEvery = 200 * time.Millisecond

// Control sequences of a terminal. The page is drawn on the alternate screen, so that
// what was on the screen before is shown again at the end.
const (
	alternateScreen, hideCursor = "\x1b[?1049h", "\x1b[?25l"
	primaryScreen, showCursor   = "\x1b[?1049l", "\x1b[?25h"
	home                        = "\x1b[H"
	clearRestOfLine             = "\x1b[K"
	clearRestOfPage             = "\x1b[J"
)

// watchPage draws a page on a terminal until ctx ends.
func watchPage(ctx context.Context, f *os.File, s *station, cart string) error {
	fmt.Fprint(f, alternateScreen, hideCursor)
	defer fmt.Fprint(f, showCursor, primaryScreen)
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	var drawn []byte
	for {
		width, height, err := term.GetSize(int(f.Fd()))
		if err != nil || width < 1 || height < 1 {
			width, height = 80, 24
		}
		page := drawPage(watchLines(s.look(), cart, time.Now(), width), width, height)
		if !bytes.Equal(page, drawn) {
			if _, err := f.Write(page); err != nil {
				return err
			}
			drawn = page
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// drawPage is what a terminal needs to show these lines in place of what it shows, cut
// to its size.
func drawPage(lines []string, width, height int) []byte {
	var page bytes.Buffer
	page.WriteString(home)
	for i, line := range lines[:min(len(lines), height)] {
		if i > 0 {
			page.WriteString("\r\n")
		}
		if runes := []rune(line); len(runes) > width {
			line = string(runes[:width])
		}
		page.WriteString(line + clearRestOfLine)
	}
	page.WriteString(clearRestOfPage)
	return page.Bytes()
}

// watchPlain prints a line when a figure has changed, at most one each second, and
// problems at once, until ctx ends.
func watchPlain(ctx context.Context, out io.Writer, s *station, cart string) error {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	w := plainWatch{out: out, cart: cart, silence: "NOTHING YET"}
	for {
		w.print(s.look(), time.Now())
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// plainWatch is what watchPlain has printed so far.
type plainWatch struct {
	out       io.Writer
	cart      string
	silence   string    // kind of the silence that was reported last; empty: the cart is heard
	problems  []string  // reported and still there
	figures   string    // last line of figures
	figuresAt time.Time // when that was printed
}

// print prints what is new in the latest messages.
func (w *plainWatch) print(s shown, now time.Time) {
	clock := now.Format("15:04:05 ")
	silence := s.silence(w.cart, now)
	// Only the kind is compared: how long a silence has lasted is no news.
	kind, _, _ := strings.Cut(silence, ":")
	if kind != w.silence && (kind != "" || !s.presenceAt.IsZero()) {
		w.silence = kind
		fmt.Fprintln(w.out, clock+printable(cmp.Or(silence, w.cart+" is heard")))
	}
	problems := s.problems()
	for _, text := range problems {
		if !slices.Contains(w.problems, text) {
			fmt.Fprintln(w.out, clock+printable(text))
		}
	}
	w.problems = problems
	if line := s.figuresLine(); !s.volumesAt.IsZero() && line != w.figures && now.Sub(w.figuresAt) >= time.Second {
		w.figures, w.figuresAt = line, now
		fmt.Fprintln(w.out, clock+line)
	}
}

// problems are the questions and the alerts.
func (s *shown) problems() []string {
	var texts []string
	for _, q := range s.job.Questions {
		texts = append(texts, "ASKED "+asked(q))
	}
	for _, a := range s.alerts.Alerts {
		texts = append(texts, "ALERT "+a.Text)
	}
	return texts
}

func (s *shown) figuresLine() string {
	v := s.volumes
	return fmt.Sprintf("%-9s  drained %s L  added %s L  remaining %s L  fluid %s °C  %s", v.Phase,
		plusMinus(float64(v.DrainedL), float64(v.DrainedUL)), plusMinus(float64(v.AddedL), float64(v.AddedUL)),
		litres(float64(v.RemainingL)), figure("%.1f", float64(s.window.TempC)), s.windowWords(s.windowAt))
}
