package main

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// row is a line of a page, and how it looks where a terminal can show it.
type row struct {
	text string
	look look
}

// look is a way to show a line: the parameters of SGR in ECMA-48. It never says anything
// that the words do not say.
type look string

const (
	asIs   look = ""
	strong look = "1"
	green  look = "1;32"
	yellow look = "1;33"
	red    look = "1;31"
)

// page collects rows that fit into a width.
type page struct {
	rows  []row
	width int
	r     words.Reader
}

func (p *page) add(look look, text string) {
	for _, line := range wrap.Lines(printable(text), p.width) {
		p.rows = append(p.rows, row{line, look})
	}
}

func (p *page) gap() { p.rows = append(p.rows, row{}) }

// text is a text of the program itself.
func (p *page) text(key string, names map[string]string) string {
	return p.r.Say(fillcalc.Text{Key: key, Names: names})
}

// watchRows is the page of watch. What is essential comes first, so that a small terminal
// shows it: whether the cart is live, what to do, the figures, and the worst alert.
func watchRows(s shown, r words.Reader, cart string, now time.Time, width int) []row {
	p := &page{width: width, r: r}
	silence := s.silence(r, cart, now)
	switch {
	case silence.Key != "":
		p.add(red, "!! "+r.Say(silence))
	case s.presenceAt.IsZero():
		p.add(asIs, cart)
	default:
		p.add(asIs, strings.TrimRight(cart+"  "+r.Word("term.live")+"  "+s.age(r, now), " "))
	}
	if s.volumesAt.IsZero() {
		p.gap()
		p.add(asIs, r.Word("term.nothing_yet"))
		return p.rows
	}
	p.job(s)
	p.gap()
	if silence.Key != "" {
		p.add(red, "> "+r.Word("term.dead"))
		p.add(red, s.age(r, now))
		now = s.windowAt // the countdown stands still: nobody knows how it went on
	} else {
		p.instruction(s)
	}
	p.gap()
	p.figures(s, now)
	p.alerts(s)
	p.rest(s)
	return p.rows
}

// job names the phase, the job and the vehicle.
func (p *page) job(s shown) {
	v := s.volumes
	phase := "–"
	if v.Phase != "" {
		phase = strings.ToUpper(p.r.Word("phase." + v.Phase))
	}
	p.add(strong, strings.TrimSpace(phase+"  "+v.Job+"  "+s.job.Vehicle))
}

// instruction says the one thing to do now, and how to answer when something is asked.
func (p *page) instruction(s shown) {
	if len(s.job.Flow.Next) == 0 {
		return
	}
	ask := &s.job.Flow.Next[0]
	p.add(lookOf(ask.Tone), "> "+ask.For(p.r))
	for i := range s.job.Questions {
		if q := &s.job.Questions[i]; q.Change == ask.Change {
			p.add(asIs, "  "+p.answerWith(q))
		}
	}
}

// lookOf is how an instruction of a tone looks.
func lookOf(tone string) look {
	switch fillcalc.Tone(tone) {
	case fillcalc.ToneStop, fillcalc.ToneLost, fillcalc.ToneUnmeasured:
		return red
	case fillcalc.ToneSlow, fillcalc.ToneClosing, fillcalc.ToneAnswer:
		return yellow
	case fillcalc.ToneCheck, fillcalc.ToneDone:
		return green
	}
	return strong
}

// answerWith is the command that answers a question.
func (p *page) answerWith(q *wire.JobQuestion) string {
	return p.text("term.answer_with", map[string]string{"change": fmt.Sprint(q.Change), "answers": strings.Join(q.Answers, "|")})
}

// figures are what came out, what is in, and what is still to pour, then the fluid and its
// window.
func (p *page) figures(s shown, now time.Time) {
	v, r := s.volumes, p.r
	type line struct {
		label, value string
		look         look
	}
	toPour := line{r.Word("term.to_pour"), volume(r, float64(v.RemainingL)), strong}
	if v.RemainingL < -0.02 {
		toPour = line{r.Word("term.too_much"), volume(r, -float64(v.RemainingL)), red}
	}
	if plan := s.job.Plan; plan != nil && !math.IsNaN(float64(v.RemainingL)) {
		toPour.value = plusMinus(r, math.Abs(float64(v.RemainingL)), float64(plan.RemainingUL))
	}
	window := line{r.Word("term.window"), s.windowWords(r, now), asIs}
	switch s.window.State {
	case string(fillcalc.Open):
		window.look = green
	case string(fillcalc.Closing):
		window.look = yellow
	}
	lines := []line{
		{r.Word("term.out"), plusMinus(r, float64(v.DrainedL), float64(v.DrainedUL)) + flow(r, float64(v.DrainedLMin)), strong},
		{r.Word("term.in"), plusMinus(r, float64(v.AddedL), float64(v.AddedUL)) + flow(r, float64(v.AddedLMin)), strong},
		toPour, {r.Word("term.fluid"), r.Units.TemperatureUnit().Text(float64(s.window.TempC)), asIs}, window,
	}
	if p := s.job.Plan; p != nil {
		lines = append(lines, line{r.Word("term.target"), plusMinus(r, float64(p.TargetL), float64(p.TargetUL)) + "  " +
			r.Say(fillcalc.Text{Key: "term.first_fill", Figures: figures{"first_fill_l": float64(p.FirstFillL)}}), asIs})
	}
	if undecided := float64(v.UndecidedL); undecided > 0 {
		lines = append(lines, line{r.Word("term.undecided"), volume(r, undecided), yellow})
	}
	if v.QualityCode != string(fillcalc.QualityGood) && v.Phase != "" {
		lines = append(lines, line{r.Word("term.signal"), r.Say(fillcalc.Text{Key: "quality." + v.QualityCode, Names: map[string]string{"sensor": v.QualityOf, "why": s.job.Why}}), yellow})
	}
	widest := 0
	for _, l := range lines {
		widest = max(widest, utf8.RuneCountInString(l.label))
	}
	for _, l := range lines {
		p.add(l.look, l.label+strings.Repeat(" ", widest+2-utf8.RuneCountInString(l.label))+l.value)
	}
}

// alerts are what is red, the worst first.
func (p *page) alerts(s shown) {
	if len(s.alerts.Alerts) == 0 {
		return
	}
	p.gap()
	due := 0.0
	for _, a := range wire.ByHarm(s.alerts.Alerts) {
		if a.Code == wire.AlertCalibration {
			due++
			continue
		}
		p.add(red, "! "+a.For(p.r))
	}
	if due > 0 {
		p.add(yellow, "! "+p.r.Say(fillcalc.Text{Key: "term.calibrations_due", Figures: figures{"count": due}}))
	}
}

// rest is what is to be done after that, the cautions, and what is to be known of the plan.
func (p *page) rest(s shown) {
	var list []string
	for i := range s.job.Flow.Next {
		if i > 0 {
			list = append(list, "> "+s.job.Flow.Next[i].For(p.r))
		}
	}
	for i := range s.job.Cautions {
		list = append(list, "· "+s.job.Cautions[i].For(p.r))
	}
	if s.job.Plan != nil {
		for i := range s.job.Plan.Notes {
			list = append(list, "· "+s.job.Plan.Notes[i].For(p.r))
		}
	}
	if len(list) > 0 {
		p.gap()
	}
	for _, text := range list {
		p.add(asIs, text)
	}
}

// volume, plusMinus and flow print volumes that stand below each other: in one unit.
func volume(r words.Reader, l float64) string { return r.Units.LargeVolumeUnit().Text(l) }

func plusMinus(r words.Reader, l, u float64) string {
	return r.Units.LargeVolumeUnit().Digits(l) + " ± " + volume(r, u)
}

// flow is empty while nothing runs.
func flow(r words.Reader, lMin float64) string {
	if !(math.Abs(lMin) > 0.05) {
		return ""
	}
	return "  " + r.Units.FlowUnit().Text(lMin)
}

const (
	// connectTime is enough for a broker to answer and to send the cart's retained
	// messages.
	connectTime = 2 * time.Second
	// firstBeat is enough for an idle cart to show that it lives.
	firstBeat = wire.IdleBeat + time.Second
)

// silence says who is silent, and for how long; zero while all is well. Its key stays the
// same as long as the silence lasts.
func (s *shown) silence(r words.Reader, cart string, now time.Time) fillcalc.Text {
	say := func(key string, since time.Time, why string) fillcalc.Text {
		return fillcalc.Text{Key: key, Figures: map[string]float64{"for_s": math.Floor(now.Sub(since).Seconds())}, Names: map[string]string{"cart": cart, "reason": why}}
	}
	heard := s.beats.At()
	if heard.IsZero() {
		heard = s.connectedAt
	}
	switch {
	case s.trouble == errConnecting && now.Sub(s.troubleAt) <= connectTime:
		return fillcalc.Text{}
	case s.trouble != nil:
		return say("term.no_broker", s.troubleAt, r.Fault(s.trouble))
	case s.presenceAt.IsZero() && now.Sub(heard) > connectTime:
		return say("term.no_cart", heard, "")
	case s.presenceAt.IsZero():
		return fillcalc.Text{}
	case !s.presence.Online && s.presence.Why == "":
		return say("term.cart_lost", heard, "")
	case !s.presence.Online:
		return say("term.cart_stopped", heard, s.presence.Why)
	case s.beats.Live(now):
		return fillcalc.Text{}
	case s.beats.At().IsZero() && now.Sub(heard) <= firstBeat:
		return say("term.cart_awaited", heard, "")
	}
	return say("term.cart_silent", heard, "")
}

// settled reports whether the cart has shown that it lives, or cannot.
func (s *shown) settled(now time.Time) bool {
	return s.complete() && (!s.presence.Online || s.beats.Live(now) || now.Sub(s.connectedAt) > firstBeat)
}

// age says how old the volumes are by this computer's clock.
func (s *shown) age(r words.Reader, now time.Time) string {
	switch {
	case s.volumes.Idle() && s.beats.Live(now): // then only what changes is sent
		return ""
	case s.kept && s.presence.Online && s.beats.Live(now):
		return r.Say(fillcalc.Text{Key: "term.as_of", Names: map[string]string{"at": s.volumes.TS}})
	case s.kept:
		return r.Word("term.kept")
	}
	return r.Say(fillcalc.Text{Key: "term.age", Figures: map[string]float64{"age_s": math.Floor(now.Sub(s.volumesAt).Seconds())}})
}

// windowWords says whether the level may be judged, and when that changes. The bridge
// leaves it to its readers to count down from its last message.
func (s *shown) windowWords(r words.Reader, now time.Time) string {
	w := s.window
	text := strings.ToUpper(r.Word("window." + cmp.Or(w.State, string(fillcalc.Blind))))
	if w.LowC < w.HighC {
		text = r.Say(fillcalc.Text{Key: "term.range", Figures: figures{"low_c": float64(w.LowC), "high_c": float64(w.HighC)}}) + "  " + text
	}
	passedS := now.Sub(s.windowAt).Seconds()
	in := func(key string, seconds float64) {
		if left := math.Round(seconds - passedS); left > 0 {
			text += ", " + r.Say(fillcalc.Text{Key: key, Names: map[string]string{"countdown": fmt.Sprintf("%d:%02d", int(left)/60, int(left)%60)}})
		}
	}
	in("term.opens_in", float64(w.OpensInS))
	in("term.closes_in", float64(w.ClosesInS))
	if w.Source == "coolant" {
		text += ", " + r.Word("term.by_coolant")
	}
	return text
}
