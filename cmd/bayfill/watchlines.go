package main

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"bayfill/bridge/wire"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// watchLines is the page: first what is wrong with the data, then the figures, then
// what to do.
func watchLines(s shown, cart string, now time.Time, width int) []string {
	p := page{width: width}
	silence := s.silence(cart, now)
	switch {
	case silence != "":
		p.line("!! " + silence)
	case s.presenceAt.IsZero():
		p.line(cart)
	default:
		p.line(cart + "  online")
	}
	if s.volumesAt.IsZero() {
		return append(p.lines, "", "Nothing has come yet.")
	}
	p.figures(s, now, silence != "")
	p.questions(s)
	p.lists(s)
	return p.lines
}

// page collects lines that fit into a width.
type page struct {
	lines []string
	width int
}

func (p *page) line(text string)        { p.lines = append(p.lines, wrap.Lines(printable(text), p.width)...) }
func (p *page) row(label, value string) { p.line(fmt.Sprintf("%-10s%s", label, value)) }
func (p *page) heading(lines ...string) { p.lines = append(append(p.lines, ""), lines...) }

func (p *page) figures(s shown, now time.Time, silent bool) {
	v := s.volumes
	if s.job.Vehicle != "" || v.Job != "" {
		p.row("job", strings.TrimSpace(v.Job+" "+s.job.Vehicle))
	}
	p.heading()
	p.row("phase", strings.ToUpper(cmp.Or(v.Phase, "–")))
	p.row("drained", plusMinus(float64(v.DrainedL), float64(v.DrainedUL))+" L")
	p.row("added", plusMinus(float64(v.AddedL), float64(v.AddedUL))+" L")
	p.row("remaining", litres(float64(v.RemainingL))+" L")
	p.row("fluid", figure("%.1f", float64(s.window.TempC))+" °C")
	at := now
	if silent || s.kept {
		at = s.windowAt // the countdown stands still: nobody knows how it went on
	}
	p.row("window", s.windowWords(at))
	p.row("values", s.age(now, silent))
	if v.QualityCode != string(fillcalc.QualityGood) && v.Phase != "" {
		p.row("signal", v.Quality)
	}
}

func (p *page) questions(s shown) {
	if len(s.job.Questions) == 0 {
		return
	}
	p.heading("ASKED: bayfill job answer CHANGE AS")
	for _, q := range s.job.Questions {
		p.line(asked(q))
	}
}

// asked is a question with the answers to choose from.
func asked(q wire.JobQuestion) string {
	return fmt.Sprintf("change %d, %+.3f kg on %s: %s?", q.Change, float64(q.Kg), q.Sensor, strings.Join(q.Answers, ", "))
}

// lists shows alerts, what to do next, and cautions.
func (p *page) lists(s shown) {
	if len(s.alerts.Alerts) > 0 {
		p.heading("ALERTS")
		for _, a := range s.alerts.Alerts {
			p.line("! " + a.Text)
		}
	}
	if len(s.job.Flow.Next) > 0 {
		p.heading("NEXT")
		for _, ask := range s.job.Flow.Next {
			p.line("> " + ask.Text)
		}
	}
	if len(s.job.Cautions) > 0 {
		p.heading()
		for _, caution := range s.job.Cautions {
			p.line("! " + caution)
		}
	}
}

const (
	// maxStreamPause is the silence that is reported while readings arrive, several each
	// second.
	maxStreamPause = 2500 * time.Millisecond
	// maxPause is the same without readings: the contract's ten seconds and a margin.
	maxPause = 11 * time.Second
	// connectTime is enough for a broker to answer and to send the cart's retained
	// messages.
	connectTime = 2 * time.Second
)

// silence says who is silent, and for how long; empty while all is well. The text
// before the colon stays the same as long as the silence lasts.
func (s *shown) silence(cart string, now time.Time) string {
	seconds := func(since time.Time) string { return fmt.Sprintf("%.0f s", math.Floor(now.Sub(since).Seconds())) }
	heard := s.heardAt
	if s.connectedAt.After(heard) {
		heard = s.connectedAt
	}
	pause := maxPause
	if heard.Sub(s.readingAt) < time.Second {
		pause = maxStreamPause
	}
	switch {
	case s.trouble == connecting && now.Sub(s.troubleAt) <= connectTime:
		return ""
	case s.trouble != "":
		return "NO BROKER: for " + seconds(s.troubleAt) + ", " + s.trouble
	case s.presenceAt.IsZero() && now.Sub(heard) > connectTime:
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

// windowWords says whether the level may be judged, and when that changes. The bridge
// leaves it to its readers to count down from its last message.
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
