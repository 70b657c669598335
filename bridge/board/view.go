package board

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// view holds the words and figures that the page shows for a cart at one moment.
type view struct {
	Key     string
	Vehicle string
	Job     string
	Phase   string
	Phases  []phase

	Live bool
	// The cart's state in a word and, while it is not live, in a sentence.
	Standing, Trouble string
	Age               string // of the volumes

	Out, In, Pour figure
	PourWord      string
	Quality       string // of the volumes, when they are not good
	ReferenceC    string
	Level         level

	Window window
	Trend  plot

	Next     string
	Then     []string
	Outdated bool // the leaf job is of another phase than the volumes
	Cautions []string
	Alerts   []string
	More     int // number of alerts beyond maxAlerts

	MayCommand bool
	Groups     []group
	Changes    []group // what the newest changes may have been instead
}

// phase is one field of the strip that shows the job's progress.
type phase struct{ Name, Mark string }

var phases = []string{"ready", "draining", "service", "filling", "running", "checking", "closed"}

// figure is a volume as shown, with its uncertainty if that is known.
type figure struct{ Text, U string }

func newFigure(l, uL float64) figure {
	f := figure{Text: litres(l)}
	if !math.IsNaN(l) && !math.IsNaN(uL) {
		f.U = "± " + litres(uL)
	}
	return f
}

const unknown = "–"

// maxAlerts is how many alerts have room on the page.
const maxAlerts = 3

func newView(key string, c *cart, l link, mayCommand bool, now time.Time) view {
	m := &c.volumes.message
	v := view{Key: key, Phase: m.Phase, Job: m.Job, MayCommand: mayCommand}
	v.stand(c, l, now)
	v.fill(m, &c.job.message)
	v.Window = newWindow(c, v.Live, now)
	v.Trend = c.trend.plot()
	v.lead(c, now)
	for _, a := range c.alerts.message.Alerts {
		if len(v.Alerts) == maxAlerts {
			v.More++
			continue
		}
		v.Alerts = append(v.Alerts, a.Text)
	}
	if mayCommand && v.Live {
		v.Groups = groups(c)
		if !slices.Contains([]string{"", "closed", "abandoned"}, m.Phase) {
			v.Changes = otherwise(c)
		}
	}
	return v
}

// stand decides whether the figures are live and, if not, says why.
func (v *view) stand(c *cart, l link, now time.Time) {
	p, volumes := &c.presence, &c.volumes
	switch {
	case !volumes.at.IsZero() && !volumes.kept:
		v.Age = ago(now.Sub(volumes.at))
	case volumes.kept:
		v.Age = "from " + timeOfDay(volumes.message.TS)
	}
	switch {
	case !l.up:
		v.Standing = "NO BROKER"
		v.Trouble = fmt.Sprintf("The broker has been away for %s: %s.", duration(now.Sub(l.since)), strings.TrimRight(l.why, "."))
	case p.at.IsZero() && volumes.at.IsZero():
		v.Standing, v.Trouble = "NOT HEARD", "Nothing was received from this cart yet. Does its bridge run, and may this board read its topics?"
	case !p.at.IsZero() && p.message.Contract != 0 && p.message.Contract != wire.ContractVersion:
		v.Standing = "CANNOT READ"
		v.Trouble = fmt.Sprintf("The cart uses version %d of the contract, this board version %d: install the same program on both.", p.message.Contract, wire.ContractVersion)
	case c.unreadable != "":
		v.Standing, v.Trouble = "CANNOT READ", "The message on the leaf "+string(c.unreadable)+" cannot be read: install the same program on bridge and board."
	case !p.at.IsZero() && !p.message.Online:
		v.Standing, v.Trouble = "CART OFFLINE", "The cart is offline"
		if p.message.Why != "" {
			v.Trouble += " (" + p.message.Why + ")"
		}
		if !p.kept {
			v.Trouble += ", for " + duration(now.Sub(p.at))
		}
		v.Trouble += "."
	case !volumes.live:
		v.Standing, v.Trouble = "LAST KNOWN", "Waiting for a message from the cart."
	case !volumes.fresh(now):
		v.Standing, v.Trouble = "SILENT", "Nothing was received from the cart for "+duration(now.Sub(volumes.at))+"."
	default:
		v.Live, v.Standing = true, "LIVE"
		return
	}
	if !volumes.at.IsZero() {
		v.Trouble += " The figures are the last known ones, " + v.Age + "."
	}
}

// fill shows what was drained, what was added and what remains to pour.
func (v *view) fill(m *wire.Volumes, j *wire.Job) {
	out, in, pour := float64(m.DrainedL), float64(m.AddedL), float64(m.RemainingL)
	v.Out, v.In = newFigure(out, float64(m.DrainedUL)), newFigure(in, float64(m.AddedUL))
	v.Pour, v.PourWord = newFigure(math.Abs(pour), math.NaN()), "still to pour"
	if pour < -0.005 {
		v.PourWord = "too much in"
	}
	targetL, firstL := math.NaN(), math.NaN()
	if j.Plan != nil && j.Job == m.Job {
		targetL, firstL = float64(j.Plan.TargetL), float64(j.Plan.FirstFillL)
		v.Pour = newFigure(math.Abs(pour), float64(j.Plan.RemainingUL))
	}
	switch m.Phase {
	case "ready", "draining", "service", "filling":
		if pour >= -0.005 {
			v.PourWord = "to the first fill"
		}
	default:
		firstL = math.NaN()
	}
	if m.QualityCode != string(fillcalc.QualityGood) {
		v.Quality = m.Quality
	}
	v.ReferenceC = tenths(float64(m.ReferenceC), 0)
	v.Level = newLevel(out, in, pour, targetL, firstL)
}

// lead says what to do next.
func (v *view) lead(c *cart, now time.Time) {
	j := &c.job.message
	v.Vehicle = j.Vehicle
	v.Outdated = j.Job != v.Job || j.Phase != v.Phase
	if v.Phase != "" && v.Phase != "abandoned" {
		mark := "done"
		for _, name := range phases {
			p := phase{name, mark}
			if name == v.Phase {
				p.Mark, mark = "now", "later"
			}
			v.Phases = append(v.Phases, p)
		}
	}
	v.Cautions = j.Cautions
	if g := j.Flow.Gear; g != nil {
		if left := float64(g.LeftS) - now.Sub(c.job.at).Seconds(); left > 0 {
			v.Next = fmt.Sprintf("Hold %s: %.0f s", g.Gear, math.Ceil(left))
		}
	}
	for _, ask := range j.Flow.Next {
		switch {
		case ask.Do == "gear" && v.Next != "":
		case v.Next == "":
			v.Next = ask.Text
		case j.Flow.Next[0].Do == string(fillcalc.DoAnswer): // a question comes alone
		case len(v.Then) < 2:
			v.Then = append(v.Then, ask.Text)
		}
	}
	if j.Plan != nil {
		for _, note := range j.Plan.Notes {
			v.Then = append(v.Then, note.Text)
		}
	}
	if !v.Live && v.Next != "" { // nobody should follow an old instruction
		v.Next, v.Then = "Wait until the cart is live.", []string{"Before: " + v.Next}
	}
}

// litres formats a volume with three digits, which is finer than anybody can pour.
func litres(l float64) string {
	if math.IsNaN(l) {
		return unknown
	}
	if math.Abs(l) >= 9.995 {
		return fmt.Sprintf("%.1f", l)
	}
	return fmt.Sprintf("%.2f", math.Round(l*100)/100+0) // no -0.00
}

func tenths(c float64, decimals int) string {
	if math.IsNaN(c) {
		return unknown
	}
	return fmt.Sprintf("%.*f", decimals, c)
}

// duration formats a time in whole seconds, minutes or hours.
func duration(d time.Duration) string {
	switch s := int(d.Seconds()); {
	case s < 120:
		return fmt.Sprintf("%d s", s)
	case s < 7200:
		return fmt.Sprintf("%d min", s/60)
	default:
		return fmt.Sprintf("%d h", s/3600)
	}
}

func ago(d time.Duration) string { return duration(d) + " ago" }

// timeOfDay formats the time of a message, which is by the bridge's clock.
func timeOfDay(ts string) string {
	t, err := time.Parse(time.RFC3339, ts)
	if err != nil {
		return "an unknown time"
	}
	return t.Local().Format("2 Jan 15:04:05") + " by the cart's clock"
}
