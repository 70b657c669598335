package board

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// screen holds the words and figures that the page shows for a cart at one moment, in one
// reader's language and units. The page has one instruction, one figure, one picture and
// at most a few answers; see [screen.lead].
type screen struct {
	R            words.Reader
	Key          string
	Vehicle, Who string
	Pass         string // of a service that drains more than once
	Steps        []step
	Live         bool
	Standing     string // the cart's state in a word
	Age          string // of the volumes

	// Tone is the kind of the state. The page shows it by a word, a sign, a place and a colour,
	// and sounds it.
	Tone     fillcalc.Tone
	Say, Why string // what to do, and one line about it
	Fig      figure
	Pic      picture
	Notes    []string
	Due      []string // the instruments that are due for calibration, for the dialog "more"
	Cautions []string // what may hurt somebody
	Answers  []answer
	Later    string // why the usual next step has no button yet
	Dialogs  []dialog

	MayCommand bool
}

// step is one field of the strip that shows the job's progress.
type step struct {
	Number     int
	Name, Mark string // done, now, next or far
}

// phases are a job's steps in their order. Opening a job is no step of it.
var phases = []string{"ready", "draining", "service", "filling", "running", "checking", "closed"}

// figure is the one number that the instruction needs, with up to three small ones.
type figure struct {
	Label, Digits, Unit, U string
	Small                  []labelled
}

type labelled struct{ Label, Text string }

// maxNotes is how many notes have room on the page. The others are in the dialog "more".
const maxNotes = 4

func newScreen(r words.Reader, key string, c *cart, l link, mayCommand bool, now time.Time) screen {
	m := &c.volumes.message
	if r.Units == "" { // this screen has not chosen
		r.Units = units.System(cmp.Or(c.about.message.ShopUnits, string(units.Metric)))
	}
	s := screen{R: r, Key: key, MayCommand: mayCommand, Vehicle: c.job.message.Vehicle}
	s.stand(c, l, now)
	s.steps(m.Phase)
	if n := len(c.job.message.Flow.Phases); n > 0 {
		s.Who = c.job.message.Flow.Phases[0].By
	}
	if d := c.job.message.ServiceData; d != nil && d.Passes > 1 {
		s.Pass = s.text("bay.pass", map[string]float64{"pass": float64(c.job.message.Pass), "passes": float64(d.Passes)}, nil)
	}
	if !s.Live {
		s.unlit(c)
		return s
	}
	s.lead(c, now)
	s.note(c)
	s.Dialogs = append(s.Dialogs, s.more(c))
	if !mayCommand {
		s.Answers, s.Dialogs = nil, s.Dialogs[len(s.Dialogs)-1:]
	}
	for i := range s.Answers {
		s.Answers[i].Number = i + 1
	}
	return s
}

// word returns a word of the page.
func (s *screen) word(key string) string { return s.R.Word(key) }

// text returns a sentence of the page with figures in SI units.
func (s *screen) text(key string, figures map[string]float64, names map[string]string) string {
	return s.R.Say(fillcalc.Text{Key: key, Figures: figures, Names: names})
}

// stand decides whether the figures are live and, if not, says why.
func (s *screen) stand(c *cart, l link, now time.Time) {
	p, volumes := &c.presence, &c.volumes
	switch {
	case !volumes.at.IsZero() && !volumes.kept:
		s.Age = s.text("bay.ago", map[string]float64{"age_s": math.Floor(now.Sub(volumes.at).Seconds())}, nil)
	case volumes.kept:
		s.Age = s.text("bay.of", nil, map[string]string{"at": volumes.message.TS})
	}
	key := c.standing(l, now)
	if key == "" {
		s.Live, s.Standing = true, s.word("bay.standing_live")
		return
	}
	var figures map[string]float64
	var names map[string]string
	switch key {
	case "no_broker":
		figures, names = map[string]float64{"away_s": now.Sub(l.since).Seconds()}, map[string]string{"why": strings.TrimRight(l.why, ".")}
	case "contract":
		figures = map[string]float64{"theirs": float64(p.message.Contract), "ours": wire.ContractVersion}
	case "unreadable":
		names = map[string]string{"leaf": string(c.unreadable)}
	case "offline":
		names = map[string]string{"why": p.message.Why}
	case "silent":
		figures = map[string]float64{"age_s": now.Sub(c.heard()).Seconds()}
	}
	s.Standing, s.Tone = s.word("bay.standing_"+key), fillcalc.ToneUnmeasured
	s.Say, s.Why = s.word("bay.dead"), s.text("bay.dead_"+key, figures, names)
	if !volumes.at.IsZero() {
		s.Why += " " + s.text("bay.dead_figures", nil, map[string]string{"age": s.Age})
	}
}

// unlit shows the last known figures without anything that could be followed as if it were
// live.
func (s *screen) unlit(c *cart) {
	m := &c.volumes.message
	s.Fig.Label = s.word("bay.last_known")
	switch m.Phase {
	case "", "ready", "draining", "service":
		s.volume(float64(m.DrainedL), float64(m.DrainedUL))
	default:
		s.volume(float64(m.AddedL), float64(m.AddedUL))
	}
	s.Fig.Small = []labelled{{s.word("bay.out"), s.litres(float64(m.DrainedL))}, {s.word("bay.in"), s.litres(float64(m.AddedL))}}
	s.Pic = picture{Kind: "dead"}
	if s.Answers = nil; m.Phase == "" {
		s.Fig.Small = nil
	}
}

func (s *screen) steps(phase string) {
	if phase == "" || phase == "abandoned" {
		return
	}
	mark := "done"
	for i, name := range phases {
		p := step{i + 1, s.word("bay.step_" + name), mark}
		switch {
		case mark == "next":
			mark = "far"
		case name == phase:
			p.Mark, mark = "now", "next"
		}
		s.Steps = append(s.Steps, p)
	}
}

// lead says what to do now, and shows the one figure and the one picture for it.
func (s *screen) lead(c *cart, now time.Time) {
	m, j := &c.volumes.message, &c.job.message
	s.Say, s.Tone = s.word("bay.wait_job"), c.tone()
	asked := false
	if next := j.Flow.Next; len(next) > 0 && j.Job == m.Job && j.Phase == m.Phase {
		s.Say = next[0].For(s.R)
		if len(next) > 1 {
			s.Why = next[1].For(s.R)
		}
		asked = next[0].Do == string(fillcalc.DoAnswer) && len(j.Questions) > 0
	}
	for _, caution := range j.Cautions[:min(2, len(j.Cautions))] {
		s.Cautions = append(s.Cautions, caution.For(s.R))
	}
	switch {
	case asked:
		s.ask(c)
		return
	case s.Tone == fillcalc.ToneLost:
		s.lost(c)
		return
	}
	defer s.propose(j)
	switch m.Phase {
	case "ready":
		s.ready(c)
	case "draining":
		s.draining(c)
	case "service":
		s.service(c)
	case "filling":
		s.filling(c)
	case "running":
		s.running(c, now)
	case "checking":
		s.checking(c, now)
	case "closed":
		s.closed(c)
	default:
		s.noJob(c)
	}
}

// propose makes the button of the phase that is asked for the main one, and adds that of
// draining again.
func (s *screen) propose(j *wire.Job) {
	for _, a := range j.Flow.Next {
		if a.Phase == string(fillcalc.Draining) && j.Phase != string(fillcalc.Ready) && len(s.Answers) < 5 {
			s.answer("bay.drain_again", "", turn(a.Phase))
		}
	}
	if len(j.Flow.Next) == 0 || j.Flow.Next[0].Do != string(fillcalc.DoPhase) {
		return
	}
	turns := func(a answer) bool { return strings.Contains(a.Commands, turn(j.Flow.Next[0].Phase)) }
	if !slices.ContainsFunc(s.Answers, turns) {
		return
	}
	for i := range s.Answers {
		s.Answers[i].Main = turns(s.Answers[i])
	}
}

// note lists what is worth knowing beside the instruction, the worst first.
func (s *screen) note(c *cart) {
	var alerts []string
	alerts, s.Due = s.alerts(c)
	s.Notes = append(s.Notes, alerts...)
	if q := &c.volumes.message; q.QualityCode != string(fillcalc.QualityGood) && q.QualityCode != "settling" && q.Phase != "" {
		s.Notes = append(s.Notes, s.R.Say(fillcalc.Text{Key: "quality." + q.QualityCode, Names: map[string]string{"sensor": q.QualityOf, "why": c.job.message.Why}}))
	}
	if plan := c.job.message.Plan; plan != nil {
		for _, note := range plan.Notes {
			s.Notes = append(s.Notes, note.For(s.R))
		}
	}
}

// volume sets the figure to a volume given in litres.
func (s *screen) volume(l, uL float64) {
	u := s.R.Units.VolumeUnit(l)
	s.Fig.Digits, s.Fig.Unit, s.Fig.U = u.Digits(l), u.Symbol, ""
	if !math.IsNaN(l) && !math.IsNaN(uL) {
		s.Fig.U = "± " + u.Digits(uL)
	}
}

// litres prints a volume given in litres in the reader's units.
func (s *screen) litres(l float64) string {
	if math.IsNaN(l) {
		return unknown
	}
	return s.R.Units.Volume(l)
}

// celsius prints a temperature given in °C in the reader's units.
func (s *screen) celsius(c float64) string { return s.R.Units.TemperatureUnit().Text(c) }

// between prints two temperatures given in °C as a range.
func (s *screen) between(lowC, highC float64) string {
	if math.IsNaN(lowC) || math.IsNaN(highC) {
		return unknown
	}
	u := s.R.Units.TemperatureUnit()
	return strings.TrimSuffix(u.Digits(lowC), ".0") + "–" + strings.TrimSuffix(u.Digits(highC), ".0") + " " + u.Symbol
}

// small adds a small figure, unless it is unknown.
func (s *screen) small(key, text string) {
	if text != "" && !strings.HasPrefix(text, unknown) {
		s.Fig.Small = append(s.Fig.Small, labelled{s.word(key), text})
	}
}

const unknown = "–"

// minutes prints a time in seconds as minutes and seconds.
func minutes(seconds float64) string {
	if math.IsNaN(seconds) {
		return unknown
	}
	whole := int(math.Ceil(max(0, seconds)))
	return fmt.Sprintf("%d:%02d", whole/60, whole%60)
}
