package calibrate

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"time"

	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// columns is the maximum width of what is printed, except for paths.
const columns = 60

// showScale prints the points of a scale with their tolerances, and what follows.
func (s *Session) showScale(fit *fillcalc.ScaleFit) {
	w := s.options.Reader.Word
	fmt.Fprintf(s.out, "%8s  %9s  %8s  %8s  %10s\n", w("calibrate.known")+" kg", w("calibrate.shown")+" kg", w("calibrate.error")+" g", w("calibrate.when_new"), w("calibrate.in_service"))
	doubtful := false
	for _, p := range fit.Points {
		verdict := "calibrate.good"
		switch {
		case !p.Within(p.ServiceKg):
			verdict = "calibrate.fails"
		case !p.Within(p.InitialKg):
			verdict = "calibrate.worn"
		}
		fmt.Fprintf(s.out, "%8.4f  %9.4f  %+8.1f  %8s  %10s  %s\n", p.KnownKg, p.ShownKg, p.ErrorKg*1000,
			fmt.Sprintf("±%.1f", p.InitialKg*1000), fmt.Sprintf("±%.1f", p.ServiceKg*1000), w(verdict))
		// The error of the weights may be a third of the tolerance (OIML R 76-1, 3.7.1,
		// from memory).
		doubtful = doubtful || 2*s.options.WeightsUPct/100*p.KnownKg > p.ServiceKg/3
	}
	s.say("calibrate.scale_tolerances", nil, nil)
	s.say("calibrate.slope", nil, names{"slope": fmt.Sprintf("%.6f", fit.Slope), "u": fmt.Sprintf("%.6f", 2*fit.SlopeU), "zero": fmt.Sprintf("%.4f", fit.ZeroKg)})
	if len(fit.Points) < 3 {
		s.say("calibrate.one_weight", nil, nil)
	}
	if fit.SlopeU > 0.001 {
		s.say("calibrate.slope_rough", nil, names{"u": fmt.Sprintf("%.2g", 200*fit.SlopeU)})
	}
	if doubtful {
		s.say("calibrate.weights_doubtful", nil, nil)
	}
}

// showProbe prints the points of a probe with their tolerances, and the correction.
func (s *Session) showProbe(fit *fillcalc.ProbeFit) {
	w := s.options.Reader.Word
	fmt.Fprintf(s.out, "%8s  %8s  %8s  %7s\n", w("calibrate.known")+" °C", w("calibrate.shown")+" °C", w("calibrate.error")+" °C", w("calibrate.allowed"))
	for _, p := range fit.Points {
		verdict := "calibrate.good"
		if !p.Within() {
			verdict = "calibrate.fails"
		}
		fmt.Fprintf(s.out, "%8.2f  %8.2f  %+8.2f  %7s  %s\n", p.KnownC, rounded(p.ShownC, 0.01), rounded(p.ErrorC, 0.01), fmt.Sprintf("±%.2f", p.LimitC), w(verdict))
	}
	s.say("calibrate.probe_tolerances", nil, nil)
	for _, shown := range []float64{fit.BestC, 40} {
		s.say("calibrate.corrected", nil, names{"shown": fmt.Sprintf("%.1f", rounded(shown, 0.1)), "is": fmt.Sprintf("%.2f", fit.Correct(shown)), "u": fmt.Sprintf("%.2f", 2*fit.UAt(shown))})
	}
}

// say prints a text of the catalogues as a paragraph.
func (s *Session) say(key string, f figures, n names) {
	s.paragraph(s.options.Reader.Say(fillcalc.Text{Key: key, Figures: f, Names: n}))
}

func (s *Session) sayError(err error) { s.paragraph(s.options.inWords(err)) }

func (s *Session) paragraph(text string) {
	for _, line := range wrap.Lines(text, columns) {
		fmt.Fprintln(s.out, line)
	}
}

func (s *Session) written(value float64) string {
	if s.weighs() {
		return fmt.Sprintf("%.4f kg", value)
	}
	return fmt.Sprintf("%.2f °C", rounded(value, 0.01))
}

// rounded rounds for people, who read no -0.00.
func rounded(value, step float64) float64 { return math.Round(value/step)*step + 0 }

// clearLine moves to the start of the terminal's line and clears it.
const clearLine = "\r\x1b[K"

// reportEvery is the time between two lines where there is no terminal whose line can be
// overwritten.
const reportEvery = 15 * time.Second

// showSettling shows a reading while the sensor settles: for how long it has stood still,
// how long it must, and how long the wait may still last.
func (s *Session) showSettling(value float64, still, must, left time.Duration) {
	text := "  " + s.options.Reader.Say(fillcalc.Text{
		Key: "calibrate.settling", Names: names{"reading": s.written(value)},
		Figures: figures{"still_s": min(still, must).Seconds(), "must_s": must.Seconds(), "left_s": left.Seconds()},
	})
	switch {
	case s.options.Live:
		fmt.Fprint(s.out, clearLine+text)
	case s.clock.Elapsed()-s.reportedAt >= reportEvery:
		s.reportedAt = s.clock.Elapsed()
		fmt.Fprintln(s.out, text)
	}
}

func (s *Session) clearReading() {
	if s.options.Live {
		fmt.Fprint(s.out, clearLine)
	}
}

// answer waits for a line from the person.
func (s *Session) answer(ctx context.Context) (string, error) {
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case line, more := <-s.lines:
		switch {
		case !more && ctx.Err() != nil:
			return "", ctx.Err()
		case !more:
			return "", refuse("calibrate.input_ended", nil, nil)
		}
		return trimmed(line), nil
	}
}

// readLines passes on the lines of in until ctx ends. A goroutine that waits for a
// terminal cannot be stopped: it ends with the process, and holds nothing.
func readLines(ctx context.Context, in io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for scanner := bufio.NewScanner(in); scanner.Scan(); {
			select {
			case lines <- scanner.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return lines
}
