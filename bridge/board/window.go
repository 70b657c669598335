package board

import (
	"bayfill/fillcalc"
	"fmt"
	"math"
	"time"
)

// window shows the fluid's temperature and the check window.
type window struct {
	Live         bool
	State        string // below … blind, for the style
	Word         string
	C            string
	Low, High    string
	Rate         string
	Awaited      string // what the countdown counts to, as in "opens in"
	Count        string
	Notes        []string
	Signal       string // open or closing, while the technician waits for it
	Scale        bool
	LowY, HighY  float64 // of the picture
	PointerY     float64
	PointerKnown bool
}

// windowWords holds a word for each state. The page shows the state by shape and place
// too.
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
	waited := phase == "running" || phase == "checking"
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
			w.await("closes in", closes, float64(m.ClosesInUS), "")
		case "below", "nearing", "above":
			w.await("opens in", opens, float64(m.OpensInUS), "no forecast yet")
		}
	}
	if m.QualityCode != string(fillcalc.QualityGood) && m.Quality != "" {
		w.Notes = append(w.Notes, m.Quality)
	}
	if mL := float64(m.LevelShiftML); phase == "checking" && m.State != "open" && m.State != "closing" && math.Abs(mL) >= 10 {
		word := "high"
		if mL < 0 {
			word = "low"
		}
		shift := fmt.Sprintf("judged now, the level reads %.0f mL too %s", math.Abs(mL), word)
		if share := float64(m.LevelShiftShare); !math.IsNaN(share) {
			shift += fmt.Sprintf(" (%.0f %% of the marks)", 100*math.Abs(share))
		}
		w.Notes = append(w.Notes, shift)
	}
	if !w.Live && w.State != "blind" { // an old state must not look like the present one
		w.State, w.Word = "blind", "NOT LIVE"
	}
	w.draw(float64(m.TempC), float64(m.LowC), float64(m.HighC))
	return w
}

// The position of the thermometer in the picture of the window.
const (
	thermometerTopY    = 20.0
	thermometerHeightY = 300.0
)

// draw places the window in the middle third of the thermometer.
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

// await sets the countdown to s seconds, rounded to a step that suits its expanded
// uncertainty uS. unknown is the text when s is NaN.
func (w *window) await(what string, s, uS float64, unknown string) {
	if math.IsNaN(s) {
		w.Awaited = unknown
		return
	}
	stepS := 1.0
	for _, coarserS := range []float64{10, 60, 300} {
		if uS > stepS*2 {
			stepS = coarserS
		}
	}
	if stepS == 1 {
		s = math.Ceil(max(0, s))
		w.Awaited, w.Count = what, minutes(s)
		return
	}
	s = stepS * math.Round(s/stepS)
	switch {
	case s <= 0:
		w.Awaited, w.Count = what, "a moment"
	case stepS < 60:
		w.Awaited, w.Count = what+" about", minutes(s)
	default:
		w.Awaited, w.Count = what+" about", fmt.Sprintf("%.0f min", s/60)
	}
}

func minutes(s float64) string { return fmt.Sprintf("%.0f:%02.0f", math.Floor(s/60), math.Mod(s, 60)) }
