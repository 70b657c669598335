package main

import (
	"bayfill/fillcalc"
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"bayfill/bridge/wrap"
)

func watchCommand() *cobra.Command {
	var o contactFlags
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Watch a cart live",
		Long: `Watch a cart live: a page that is drawn again in place, or lines as things change
when the output is no terminal. It waits for a broker or a cart that is not there.`,
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

// watchEvery is how often what came is looked at.
const watchEvery = 200 * time.Millisecond

// watchPage draws on the terminal's other screen, so that the end of it gives
// back what was there before.
func watchPage(ctx context.Context, f *os.File, s *station, cart string) error {
	const otherScreen, noCursor = "\x1b[?1049h", "\x1b[?25l"
	const firstScreen, cursor = "\x1b[?1049l", "\x1b[?25h"
	fmt.Fprint(f, otherScreen, noCursor)
	defer fmt.Fprint(f, cursor, firstScreen)
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	var drawn []byte
	for {
		width, height, err := term.GetSize(int(f.Fd()))
		if err != nil || width < 1 || height < 1 {
			width, height = 80, 24
		}
		lines := watchLines(s.look(), cart, time.Now(), width)
		const home, restOfLine, restOfPage = "\x1b[H", "\x1b[K", "\x1b[J"
		var page bytes.Buffer
		page.WriteString(home)
		for i, line := range lines[:min(len(lines), height)] {
			if i > 0 {
				page.WriteString("\r\n")
			}
			if runes := []rune(line); len(runes) > width {
				line = string(runes[:width])
			}
			page.WriteString(line + restOfLine)
		}
		page.WriteString(restOfPage)
		if !bytes.Equal(page.Bytes(), drawn) {
			if _, err := f.Write(page.Bytes()); err != nil {
				return err
			}
			drawn = page.Bytes()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// watchPlain prints a line when what counts has changed, at most one a second,
// and at once what is wrong.
func watchPlain(ctx context.Context, out io.Writer, s *station, cart string) error {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	var last string
	silence := "NOTHING YET"
	var said []string
	var at time.Time
	for {
		now := time.Now()
		seen := s.look()
		clock := now.Format("15:04:05 ")
		// The seconds that a silence lasts are no news.
		if kind, _, _ := strings.Cut(seen.silence(cart, now), ":"); kind != silence && (kind != "" || !seen.presenceAt.IsZero()) {
			silence = kind
			fmt.Fprintln(out, clock+printable(cmp.Or(seen.silence(cart, now), cart+" is heard")))
		}
		var wrong []string
		for _, step := range seen.job.Undecided {
			wrong = append(wrong, fmt.Sprintf("UNDECIDED step %d: %+.3f kg on %s", step.Step, float64(step.Kg), step.Sensor))
		}
		for _, a := range seen.alerts.Alerts {
			wrong = append(wrong, "ALERT "+a.Text)
		}
		for _, text := range wrong {
			if !slices.Contains(said, text) {
				fmt.Fprintln(out, clock+printable(text))
			}
		}
		said = wrong
		v := seen.volumes
		line := fmt.Sprintf("%-9s  drained %s L  added %s L  remaining %s L  fluid %s °C  %s", v.Phase,
			plusMinus(float64(v.DrainedL), float64(v.DrainedUL)), plusMinus(float64(v.AddedL), float64(v.AddedUL)),
			litres(float64(v.RemainingL)), figure("%.1f", float64(seen.window.TempC)), seen.windowWords(seen.windowAt))
		if !seen.volumesAt.IsZero() && line != last && now.Sub(at) >= time.Second {
			last, at = line, now
			fmt.Fprintln(out, clock+line)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// watchLines is the page: first what is wrong with it, then the figures, then
// what to do.
func watchLines(s shown, cart string, now time.Time, width int) []string {
	var lines []string
	line := func(text string) { lines = append(lines, wrap.Lines(printable(text), width)...) }
	add := func(label, text string) { line(fmt.Sprintf("%-10s%s", label, text)) }
	silence := s.silence(cart, now)
	switch {
	case silence != "":
		line("!! " + silence)
	case s.presenceAt.IsZero():
		line(cart)
	default:
		line(cart + "  online")
	}
	if s.volumesAt.IsZero() {
		return append(lines, "", "Nothing has come yet.")
	}
	v := s.volumes
	if s.job.Vehicle != "" || v.Job != "" {
		add("job", strings.TrimSpace(v.Job+" "+s.job.Vehicle))
	}
	lines = append(lines, "")
	add("phase", strings.ToUpper(cmp.Or(v.Phase, "–")))
	add("drained", plusMinus(float64(v.DrainedL), float64(v.DrainedUL))+" L")
	add("added", plusMinus(float64(v.AddedL), float64(v.AddedUL))+" L")
	add("remaining", litres(float64(v.RemainingL))+" L")
	add("fluid", figure("%.1f", float64(s.window.TempC))+" °C")
	counted := now
	if silence != "" || s.kept {
		counted = s.windowAt // nobody knows how it went on
	}
	add("window", s.windowWords(counted))
	add("values", s.age(now, silence != ""))
	if v.QualityCode != string(fillcalc.QualityGood) && v.Phase != "" {
		add("signal", v.Quality)
	}
	if len(s.job.Undecided) > 0 {
		lines = append(lines, "", "UNDECIDED: what were they?")
		for _, step := range s.job.Undecided {
			line(fmt.Sprintf("step %d: %+.3f kg on %s", step.Step, float64(step.Kg), step.Sensor))
		}
		if n := s.job.UndecidedLeftOut; n > 0 {
			lines = append(lines, fmt.Sprintf("and %d older ones", n))
		}
	}
	if len(s.alerts.Alerts) > 0 {
		lines = append(lines, "", "ALERTS")
		for _, a := range s.alerts.Alerts {
			line("! " + a.Text)
		}
	}
	if len(s.job.Flow.Next) > 0 {
		lines = append(lines, "", "NEXT")
		for _, ask := range s.job.Flow.Next {
			line("> " + ask.Text)
		}
	}
	if len(s.job.Cautions) > 0 {
		lines = append(lines, "")
		for _, caution := range s.job.Cautions {
			line("! " + caution)
		}
	}
	return lines
}

const (
	// While readings come, several a second, a pause is a silence.
	streamPause = 2500 * time.Millisecond
	// Without them the contract's ten seconds and a little hold.
	longestPause = 11 * time.Second
	// A broker answers sooner, and a cart that is there is known as soon as it does.
	knownWithin = 2 * time.Second
)

// silence says who says nothing, and for how long; empty while all is well. What
// stands before the colon stays the same as long as it lasts.
func (s *shown) silence(cart string, now time.Time) string {
	seconds := func(since time.Time) string { return fmt.Sprintf("%.0f s", math.Floor(now.Sub(since).Seconds())) }
	heard := s.heardAt
	if s.connectedAt.After(heard) {
		heard = s.connectedAt
	}
	pause := longestPause
	if heard.Sub(s.readingAt) < time.Second {
		pause = streamPause
	}
	switch {
	case s.trouble == connecting && now.Sub(s.troubleAt) <= knownWithin:
		return ""
	case s.trouble != "":
		return "NO BROKER: for " + seconds(s.troubleAt) + ", " + s.trouble
	case s.presenceAt.IsZero() && now.Sub(heard) > knownWithin:
		return "NO CART: nothing is known of " + cart + ", are --shop and --cart right, and may this user read?"
	case s.presenceAt.IsZero():
		return ""
	case !s.presence.Online:
		return "CART OFFLINE: " + cart + " " + cmp.Or(s.presence.Why, "has lost its connection")
	case now.Sub(heard) > pause:
		return "CART SILENT: nothing from " + cart + " for " + seconds(heard)
	}
	return ""
}

// age says how old the volumes are by this computer's clock.
func (s *shown) age(now time.Time, silent bool) string {
	old := fmt.Sprintf("%.0f s old", math.Floor(now.Sub(s.volumesAt).Seconds()))
	switch {
	case s.kept:
		return "last known, kept by the broker"
	case silent:
		return "last known, " + old
	}
	return old
}

// windowWords says whether the level may be judged, and when that changes: the
// bridge leaves counting down from its last message to who shows it.
func (s *shown) windowWords(now time.Time) string {
	w := s.window
	text := strings.ToUpper(cmp.Or(w.State, "–"))
	passedS := now.Sub(s.windowAt).Seconds()
	in := func(seconds float64) string { return fmt.Sprintf("%d:%02d min", int(seconds)/60, int(seconds)%60) }
	if opens := math.Round(float64(w.OpensInS) - passedS); opens > 0 {
		text += ", opens in " + in(opens)
	}
	if closes := math.Round(float64(w.ClosesInS) - passedS); closes > 0 {
		text += ", closes in " + in(closes)
	}
	if w.Source == "coolant" {
		text += ", by the coolant only"
	}
	return text
}

// litres shows no -0.000.
func litres(l float64) string { return figure("%.3f", math.Round(l*1e3)/1e3+0) }

func plusMinus(l, u float64) string { return litres(l) + " ± " + litres(u) }

// printable keeps what others wrote from steering the terminal.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			return ' '
		}
		return r
	}, text)
}
