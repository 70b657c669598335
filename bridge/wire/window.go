package wire

import (
	"math"

	"bayfill/fillcalc"
)

// Window is the message of the leaf window: the temperature, and when the level may
// be judged.
type Window struct {
	TS    string `json:"ts"`
	State string `json:"state"`
	// Since is when the bridge first published this state. It identifies the change of
	// state for a reader that connects later or receives it twice.
	Since    string `json:"since"`
	TempC    Number `json:"temp_c"`
	LowC     Number `json:"low_c"`
	HighC    Number `json:"high_c"`
	RateCMin Number `json:"rate_c_min"`
	// Seconds until the window opens and closes, each with its expanded uncertainty
	// (k = 2).
	OpensInS    Number `json:"opens_in_s"`
	OpensInUS   Number `json:"opens_in_u_s"`
	ClosesInS   Number `json:"closes_in_s"`
	ClosesInUS  Number `json:"closes_in_u_s"`
	Quality     string `json:"quality"`
	QualityCode string `json:"quality_code"`         // of fillcalc.QualityCode
	QualityOf   string `json:"quality_of,omitempty"` // the sensor that it is about
	// Source is where the temperature is measured: fluid, coolant (in place of the
	// fluid) or none.
	Source string `json:"source"`
	// How much higher the level reads now than it would in the middle of the window.
	LevelShiftML    Number `json:"level_shift_ml"`
	LevelShiftShare Number `json:"level_shift_share"` // of the way between the dipstick's marks
	// PastC is the temperature of the last minutes, PastEveryS apart, the newest last: a screen
	// that has just been switched on shows where it comes from.
	PastC []Number `json:"past_c"`
}

// PastC has at most PastN temperatures, which are PastEveryS apart.
const (
	PastEveryS = 6
	PastN      = 50
)

// WindowOf computes the message from a state. Its Since is the present moment; the
// cart keeps the earlier one while the state of the window is the same.
func WindowOf(s *fillcalc.State) Window {
	w := s.CheckWindow()
	source := "fluid"
	switch {
	case s.Probe.Sensor != "":
	case s.Coolant.Sensor != "":
		source = "coolant"
	default:
		source = "none"
	}
	return Window{
		TS: Timestamp(s.NowNs), State: string(w.State), Since: Timestamp(s.NowNs), TempC: Number(w.TempC),
		LowC: Number(w.LowC), HighC: Number(w.HighC), RateCMin: Number(w.RateCMin),
		OpensInS: Number(w.OpensInS), OpensInUS: Number(w.OpensInUS),
		ClosesInS: Number(w.ClosesInS), ClosesInUS: Number(w.ClosesInUS),
		Quality: w.Quality.String(), QualityCode: string(w.Quality.Code), QualityOf: w.Quality.Sensor, Source: source,
		LevelShiftML: Number(w.LevelShiftML), LevelShiftShare: Number(w.LevelShiftShare), PastC: []Number{},
	}
}

// SameWindow reports whether a display that received o agoS seconds ago, and has
// counted down since, still shows what m says.
func (m *Window) SameWindow(o *Window, agoS float64) bool {
	tenths := func(n Number) float64 { return math.Round(float64(n) * 10) }
	a, b := tenths(m.TempC), tenths(o.TempC)
	return m.State == o.State && m.Quality == o.Quality && (a == b || a != a && b != b) &&
		(m.LowC == o.LowC || m.LowC != m.LowC && o.LowC != o.LowC) &&
		asForecast(m.OpensInS, o.OpensInS, agoS) && asForecast(m.ClosesInS, o.ClosesInS, agoS)
}

// asForecast reports whether a time until something agrees with an earlier message:
// within 5 s and 5 %. A difference of up to a second always agrees, since nobody
// sees it.
func asForecast(s, earlierS Number, agoS float64) bool {
	if math.IsNaN(float64(s)) || math.IsNaN(float64(earlierS)) {
		return math.IsNaN(float64(s)) == math.IsNaN(float64(earlierS))
	}
	impliedS := max(0, float64(earlierS)-agoS)
	return math.Abs(float64(s)-impliedS) <= max(1, min(5, 0.05*impliedS))
}

// SameForecasts reports whether both messages have the same state and have forecasts
// of the same events, whatever their times.
func (m *Window) SameForecasts(o *Window) bool {
	known := func(s Number) bool { return !math.IsNaN(float64(s)) }
	return m.State == o.State && known(m.OpensInS) == known(o.OpensInS) && known(m.ClosesInS) == known(o.ClosesInS)
}
