package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

func watchCommand() *cobra.Command {
	var o watchOptions
	cmd := &cobra.Command{
		Use:     "watch",
		Short:   "help.watch",
		Example: "  bayfill watch --units us",
		Long:    "help.watch_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	o.contactFlags.add(cmd.Flags())
	o.readerFlags.add(cmd.Flags())
	return cmd
}

type watchOptions struct {
	contactFlags
	readerFlags
}

func (o *watchOptions) run(ctx context.Context, out io.Writer) error {
	c, err := o.contact()
	if err != nil {
		return err
	}
	if _, err := o.reader(""); err != nil {
		return err
	}
	s := newStation(c)
	s.start()
	defer s.close()
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb" {
		return o.page(ctx, f, s)
	}
	return o.plain(ctx, out, s)
}

// look returns the latest messages, and who reads them: the shop's units are known only when
// the cart has said them.
func (o *watchOptions) look(s *station) (shown, words.Reader) {
	now := s.look()
	r, err := o.reader(now.about.ShopUnits)
	if err != nil { // units of a newer program
		r, _ = o.reader(string(units.Metric))
	}
	return now, r
}

func (o *watchOptions) cartName() string { return o.shop + "/" + o.cart }

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

// page draws a page on a terminal until ctx ends.
func (o *watchOptions) page(ctx context.Context, f *os.File, s *station) error {
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
		now, r := o.look(s)
		page := drawPage(cutRows(watchRows(now, r, o.cartName(), time.Now(), width), r, height), width)
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

// cutRows leaves out what does not fit into the height, and says so.
func cutRows(rows []row, r words.Reader, height int) []row {
	if len(rows) <= height {
		return rows
	}
	more := fillcalc.Text{Key: "term.more_lines", Figures: map[string]float64{"count": float64(len(rows) - height + 1)}}
	return append(slices.Clip(rows[:height-1]), row{text: r.Say(more)})
}

// drawPage is what a terminal needs to show these rows in place of what it shows, cut to its
// width. Who has set NO_COLOR gets bold text and no colours.
func drawPage(rows []row, width int) []byte {
	var page bytes.Buffer
	page.WriteString(home)
	colours := os.Getenv("NO_COLOR") == ""
	for i, row := range rows {
		if i > 0 {
			page.WriteString("\r\n")
		}
		line := row.text
		if runes := []rune(line); len(runes) > width {
			line = string(runes[:width])
		}
		look := row.look
		if !colours && look != asIs {
			look = strong
		}
		if look != asIs {
			line = "\x1b[" + string(look) + "m" + line + "\x1b[m"
		}
		page.WriteString(line + clearRestOfLine)
	}
	page.WriteString(clearRestOfPage)
	return page.Bytes()
}

// plain prints a line when a figure has changed, at most one each second, and problems at
// once, until ctx ends.
func (o *watchOptions) plain(ctx context.Context, out io.Writer, s *station) error {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	w := plainWatch{out: out, cart: o.cartName(), silence: "nothing yet"}
	for {
		now, r := o.look(s)
		w.print(now, r, time.Now())
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// plainWatch is what watch has printed so far.
type plainWatch struct {
	out       io.Writer
	cart      string
	silence   string    // key of the silence that was reported last; empty: the cart is heard
	problems  []string  // reported and still there
	figures   string    // last line of figures
	figuresAt time.Time // when that was printed
}

// print prints what is new in the latest messages.
func (w *plainWatch) print(s shown, r words.Reader, now time.Time) {
	clock := now.Format("15:04:05 ")
	silence := s.silence(r, w.cart, now)
	// Only the key is compared: how long a silence has lasted is no news.
	if silence.Key != w.silence && (silence.Key != "" || !s.presenceAt.IsZero()) {
		w.silence = silence.Key
		if silence.Key == "" {
			silence = fillcalc.Text{Key: "term.heard", Names: map[string]string{"cart": w.cart}}
		}
		fmt.Fprintln(w.out, clock+printable(r.Say(silence)))
	}
	problems := s.problems(r)
	for _, text := range problems {
		if !slices.Contains(w.problems, text) {
			fmt.Fprintln(w.out, clock+printable(text))
		}
	}
	w.problems = problems
	if line := s.figuresLine(r); !s.volumesAt.IsZero() && line != w.figures && now.Sub(w.figuresAt) >= time.Second {
		w.figures, w.figuresAt = line, now
		fmt.Fprintln(w.out, clock+line)
	}
}

// problems are the questions and the alerts.
func (s *shown) problems(r words.Reader) []string {
	p := page{r: r}
	var texts []string
	for i := range s.job.Questions {
		q := &s.job.Questions[i]
		texts = append(texts, p.text("term.asked", map[string]string{"text": q.For(r), "answer": p.answerWith(q)}))
	}
	for _, a := range wire.ByHarm(s.alerts.Alerts) {
		texts = append(texts, p.text("term.alert", map[string]string{"text": a.For(r)}))
	}
	return texts
}

func (s *shown) figuresLine(r words.Reader) string {
	v := s.volumes
	phase := "–"
	if v.Phase != "" {
		phase = r.Word("phase." + v.Phase)
	}
	return strings.Join([]string{phase,
		r.Word("term.out") + " " + plusMinus(r, float64(v.DrainedL), float64(v.DrainedUL)),
		r.Word("term.in") + " " + plusMinus(r, float64(v.AddedL), float64(v.AddedUL)),
		r.Word("term.to_pour") + " " + volume(r, float64(v.RemainingL)),
		r.Word("term.fluid") + " " + r.Units.TemperatureUnit().Text(float64(s.window.TempC)),
		s.windowWords(r, s.windowAt)}, "  ")
}
