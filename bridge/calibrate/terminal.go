package calibrate

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// columns is the maximum width of what is printed, except for paths.
const columns = 60

// showScale prints the points of a scale with their tolerances, and what follows.
func (s *Session) showScale(fit *fillcalc.ScaleFit) {
	fmt.Fprintln(s.out, "known kg   shown kg   error g  when new  in service")
	doubtful := false
	for _, p := range fit.Points {
		verdict := "good"
		switch {
		case !p.Within(p.ServiceKg):
			verdict = "FAILS"
		case !p.Within(p.InitialKg):
			verdict = "worn"
		}
		fmt.Fprintf(s.out, "%8.4f  %9.4f  %+8.1f  %8s  %10s  %s\n", p.KnownKg, p.ShownKg, p.ErrorKg*1000,
			fmt.Sprintf("±%.1f", p.InitialKg*1000), fmt.Sprintf("±%.1f", p.ServiceKg*1000), verdict)
		// The error of the weights may be a third of the tolerance (OIML R 76-1, 3.7.1,
		// from memory).
		doubtful = doubtful || 2*s.options.WeightsUPct/100*p.KnownKg > p.ServiceKg/3
	}
	s.say("Tolerances: OIML R 76-1, class III. Not legal for trade.")
	s.say("%.6f kg for each kg shown, ± %.6f (k = 2); zero at %.4f kg", fit.Slope, 2*fit.SlopeU, fit.ZeroKg)
	if len(fit.Points) < 3 {
		s.say("One weight cannot show whether the scale is linear: use two or more.")
	}
	if fit.SlopeU > 0.001 {
		s.say("The slope is known only to ±%.2g %%: heavier weights give a better one.", 200*fit.SlopeU)
	}
	if doubtful {
		s.say("These weights are too uncertain to judge a scale by: their U is more than a third of the tolerance.")
	}
}

// showProbe prints the points of a probe with their tolerances, and the correction.
func (s *Session) showProbe(fit *fillcalc.ProbeFit) {
	fmt.Fprintln(s.out, "known °C  shown °C  error °C  allowed")
	for _, p := range fit.Points {
		verdict := "good"
		if !p.Within() {
			verdict = "FAILS"
		}
		fmt.Fprintf(s.out, "%8.2f  %8.2f  %+8.2f  %7s  %s\n", p.KnownC, p.ShownC, p.ErrorC, fmt.Sprintf("±%.2f", p.LimitC), verdict)
	}
	s.say("Tolerances: IEC 60751, class B.")
	for _, shown := range []float64{fit.BestC, 40} {
		s.say("%.1f °C shown is %.2f ± %.2f °C (k = 2)", shown, fit.Correct(shown), 2*fit.UAt(shown))
	}
}

// say prints a paragraph.
func (s *Session) say(format string, args ...any) {
	for _, line := range wrap.Lines(fmt.Sprintf(format, args...), columns) {
		fmt.Fprintln(s.out, line)
	}
}

func (s *Session) written(value float64) string {
	if s.weighs() {
		return fmt.Sprintf("%.4f kg", value)
	}
	return fmt.Sprintf("%.2f °C", value)
}

// clearLine moves to the start of the terminal's line and clears it.
const clearLine = "\r\x1b[K"

// reportEvery is the time between two lines where there is no terminal whose line can be
// overwritten.
const reportEvery = 15 * time.Second

// showSettling shows a reading while the sensor settles: for how long it has stood still,
// how long it must, and how long the wait may still last.
func (s *Session) showSettling(value float64, still, must, left time.Duration) {
	text := fmt.Sprintf("  %s  still for %.0f of %.0f s, %s left", s.written(value), still.Seconds(), must.Seconds(), left.Round(time.Second))
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
			return "", errors.New("the input ended before the calibration did: nothing was recorded")
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
