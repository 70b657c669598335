package board

import (
	"fmt"
	"math"
	"strings"
	"time"

	"bayfill/bridge"
)

// view is a cart at one moment, in the words and figures of the page.
type view struct {
	Key     string
	Vehicle string
	Job     string
	Phase   string
	Phases  []phase

	Live bool
	// How the cart stands, in a word; and, while it is not live, in a sentence.
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
	Outdated bool // the leaf job belongs to another phase than the volumes
	Cautions []string
	Alerts   []string
	More     int // alerts that there is no room for

	MayCommand bool
	Groups     []group
}

// phase is one field of the strip that shows how far the job is.
type phase struct{ Name, Mark string }

var phases = []string{"ready", "draining", "service", "filling", "running", "checking", "closed"}

// figure is a volume as it is shown, and its uncertainty when that is known.
type figure struct{ Text, U string }

func newFigure(l, uL float64) figure {
	f := figure{Text: litres(l)}
	if !math.IsNaN(l) && !math.IsNaN(uL) {
		f.U = "± " + litres(uL)
	}
	return f
}

const unknown = "–"

// mostAlerts are shown; whoever has more must go to the cart.
const mostAlerts = 3

func newView(key string, c *cart, l link, mayCommand bool, now time.Time) view {
	m := &c.volumes.message
	v := view{Key: key, Phase: m.Phase, Job: m.Job, MayCommand: mayCommand}
	v.stand(c, l, now)
	v.fill(m, &c.job.message)
	v.Window = newWindow(c, v.Live, now)
	v.Trend = c.trend.plot(now)
	v.lead(c, now)
	for _, a := range c.alerts.message.Alerts {
		if len(v.Alerts) == mostAlerts {
			v.More++
			continue
		}
		v.Alerts = append(v.Alerts, a.Text)
	}
	if mayCommand && v.Live {
		v.Groups = groups(c)
	}
	return v
}

// stand tells whether the figures are live, and if not, why not.
func (v *view) stand(c *cart, l link, now time.Time) {
	p, volumes := &c.presence, &c.volumes
	switch {
	case !volumes.at.IsZero() && !volumes.kept:
		v.Age = ago(now.Sub(volumes.at))
	case volumes.kept:
		v.Age = "from " + clock(volumes.message.TS)
	}
	switch {
	case !l.up:
		v.Standing = "NO BROKER"
		v.Trouble = fmt.Sprintf("The broker is away, for %s: %s.", duration(now.Sub(l.since)), strings.TrimRight(l.why, "."))
	case p.at.IsZero() && volumes.at.IsZero():
		v.Standing, v.Trouble = "NOT HEARD", "Nothing has come from this cart yet. Does its bridge run, and may this board read its topics?"
	case !p.at.IsZero() && p.message.Contract != 0 && p.message.Contract != bridge.ContractVersion:
		v.Standing = "CANNOT READ"
		v.Trouble = fmt.Sprintf("The cart speaks version %d of the contract, this board version %d: install the same program on both.", p.message.Contract, bridge.ContractVersion)
	case c.unreadable != "":
		v.Standing, v.Trouble = "CANNOT READ", "What came as "+string(c.unreadable)+" cannot be read: install the same program on bridge and board."
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
		v.Standing, v.Trouble = "LAST KNOWN", "Waiting for the cart to speak."
	case !volumes.fresh(now):
		v.Standing, v.Trouble = "SILENT", "Nothing has come from the cart for "+duration(now.Sub(volumes.at))+"."
	default:
		v.Live, v.Standing = true, "LIVE"
		return
	}
	if !volumes.at.IsZero() {
		v.Trouble += " The figures are the last known, " + v.Age + "."
	}
}

// fill shows what came out, what went in and what remains.
func (v *view) fill(m *bridge.VolumesMessage, j *jobMessage) {
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
	if m.Quality != "good" {
		v.Quality = m.Quality
	}
	v.ReferenceC = tenths(float64(m.ReferenceC), 0)
	v.Level = newLevel(out, in, pour, targetL, firstL)
}

// lead says what to do.
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
		case len(v.Then) < 2:
			v.Then = append(v.Then, ask.Text)
		}
	}
	if j.Plan != nil {
		for _, note := range j.Plan.Notes {
			v.Then = append(v.Then, note.Text)
		}
	}
	if !v.Live && v.Next != "" { // nobody should do what was right a while ago
		v.Next, v.Then = "Wait until the cart is live.", []string{"Before: " + v.Next}
	}
}

// window is the fluid's temperature against the check window.
type window struct {
	Live         bool
	State        string // below … blind, for the style
	Word         string
	C            string
	Low, High    string
	Rate         string
	Awaited      string // and how long it takes
	Count        string
	Notes        []string
	Signal       string // open or closing, while somebody waits for it
	Scale        bool
	LowY, HighY  float64 // of the picture
	PointerY     float64
	PointerKnown bool
}

// A word for each state: shape and place on the page say the same.
var windowWords = map[string]string{
	"below": "TOO COLD", "nearing": "NEARLY", "open": "IN WINDOW", "closing": "CLOSING",
	"above": "TOO HOT", "blind": "NOT KNOWN",
}

func newWindow(c *cart, live bool, now time.Time) window {
	m := &c.window.message
	w := window{Live: live && c.window.fresh(now), State: m.State, Word: windowWords[m.State],
		C: tenths(float64(m.TempC), 1), Low: tenths(float64(m.LowC), 0), High: tenths(float64(m.HighC), 0)}
	if w.Word == "" {
		w.State, w.Word = "blind", windowWords["blind"]
	}
	phase := c.volumes.message.Phase
	waited := phase == "filling" || phase == "running" || phase == "checking"
	if waited && (m.State == "open" || m.State == "closing") {
		w.Word = map[string]string{"open": "CHECK NOW", "closing": "CLOSING NOW"}[m.State]
		if w.Live {
			w.Signal = m.State
		}
	}
	if rate := float64(m.RateCMin); !math.IsNaN(rate) {
		w.Rate = fmt.Sprintf("%+.1f °C a minute", rate)
	}
	if w.Live {
		since := now.Sub(c.window.at).Seconds()
		opens, closes := float64(m.OpensInS)-since, float64(m.ClosesInS)-since
		switch m.State {
		case "open", "closing":
			w.await("closes in", closes, "")
		case "below", "nearing", "above":
			w.await("opens in", opens, "opening not foreseen yet")
		}
	}
	if m.Quality != "good" && m.Quality != "" {
		w.Notes = append(w.Notes, m.Quality)
	}
	if mL := float64(m.LevelShiftML); phase == "checking" && m.State != "open" && m.State != "closing" && math.Abs(mL) >= 10 {
		word := "high"
		if mL < 0 {
			word = "low"
		}
		shift := fmt.Sprintf("judged now, the level stands %.0f mL too %s", math.Abs(mL), word)
		if share := float64(m.LevelShiftShare); !math.IsNaN(share) {
			shift += fmt.Sprintf(" (%.0f %% of the marks)", 100*math.Abs(share))
		}
		w.Notes = append(w.Notes, shift)
	}
	if !w.Live && w.State != "blind" { // what was right a while ago must not look like now
		w.State, w.Word = "blind", "NOT LIVE"
	}
	w.draw(float64(m.TempC), float64(m.LowC), float64(m.HighC))
	return w
}

// The picture of the window: a thermometer from thermometerTopY down.
const (
	thermometerTopY    = 20.0
	thermometerHeightY = 300.0
)

// draw shows the window in the middle third of the thermometer.
func (w *window) draw(celsius, lowC, highC float64) {
	if !(lowC < highC) {
		return
	}
	w.Scale = true
	y := func(c float64) float64 {
		span := highC - lowC
		share := (c - (lowC - span)) / (3 * span)
		return math.Round(thermometerTopY + thermometerHeightY*(1-min(1, max(0, share))))
	}
	w.LowY, w.HighY = y(lowC), y(highC)
	if !math.IsNaN(celsius) {
		w.PointerKnown, w.PointerY = true, y(celsius)
	}
}

func (w *window) await(what string, s float64, unforeseen string) {
	if math.IsNaN(s) {
		w.Awaited = unforeseen
		return
	}
	s = math.Ceil(max(0, s))
	w.Awaited, w.Count = what, fmt.Sprintf("%.0f:%02.0f", math.Floor(s/60), math.Mod(s, 60))
}

// litres has three digits, which is finer than anybody pours.
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

// duration says for how long.
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

// clock is the time of day that a message gives, by the bridge's clock.
func clock(ts string) string {
	t, err := time.Parse(time.RFC3339, ts)
	if err != nil {
		return "an unknown time"
	}
	return t.Local().Format("2 Jan 15:04:05") + " by the cart's clock"
}
