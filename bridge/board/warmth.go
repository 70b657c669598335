package board

import (
	"math"
	"time"

	"bayfill/bridge/chart"
	"bayfill/bridge/wire"
)

// warmth is the fluid's temperature over time, with the check window as a band and the
// forecast as a dashed line.
type warmth struct {
	Known                   bool
	Past, Ahead             chart.Path
	LowY, HighY             float64
	Low, High, Now, Awaited string
	NowX, NowY              float64
	NowRight                bool    // the text stands to the right of the point, because there is no room to the left
	AwaitedX                float64 // when the window opens or closes; 0: unknown
}

// The layout of the picture.
const (
	warmthLeftX, warmthRightX  = 20.0, 480.0
	warmthTopY, warmthBottomY  = 30.0, 310.0
	labelWide                  = 210.0
	warmthPast, warmthMaxAhead = 5 * time.Minute, 20 * time.Minute
)

// warmth shows the temperature and the window, and counts down to its opening or its end.
func (s *screen) warmth(c *cart, now time.Time) {
	m := &c.window.message
	live := c.window.fresh(c, now)
	temp, low, high := float64(m.TempC), float64(m.LowC), float64(m.HighC)
	s.Fig.Label = s.word("bay.fluid")
	u := s.R.Units.TemperatureUnit()
	s.Fig.Digits, s.Fig.Unit = u.Digits(temp), u.Symbol
	s.Fig.Small = nil
	s.small("bay.window", s.between(low, high))
	if rate := float64(m.RateCMin); !math.IsNaN(rate) {
		s.small("bay.warms", s.rate(rate))
	}
	since := now.Sub(c.window.at).Seconds()
	opens, closes := float64(m.OpensInS)-since, float64(m.ClosesInS)-since
	switch {
	case !live || m.State == "blind" || math.IsNaN(temp):
		s.Pic = picture{Kind: "dead"}
		return
	case m.State == "open" || m.State == "closing":
		s.countdown("bay.closes_in", closes, float64(m.ClosesInUS))
	default:
		s.countdown("bay.opens_in", opens, float64(m.OpensInUS))
	}
	awaited, uS := opens, float64(m.OpensInUS)
	if m.State == "open" || m.State == "closing" {
		awaited, uS = closes, float64(m.ClosesInUS)
	}
	awaited, _ = rounded(awaited, uS) // as the figure says
	s.Pic = picture{Kind: "warmth", Warmth: s.draw(c, temp, low, high, awaited)}
}

// rate prints a change of temperature a minute.
func (s *screen) rate(cMin float64) string {
	u := s.R.Units.TemperatureUnit()
	return chart.Figure("%+.1f ", u.Of(cMin)-u.Of(0)) + u.Symbol + "/min"
}

// rounded rounds a time left, in seconds, as its uncertainty asks, and returns to what.
func rounded(leftS, uS float64) (s, stepS float64) {
	stepS = 1.0
	for _, coarserS := range []float64{10, 60, 300} {
		if uS >= coarserS {
			stepS = coarserS
		}
	}
	return stepS * math.Round(max(0, leftS)/stepS), stepS
}

// countdown makes the time left the figure, and the temperature a small one.
func (s *screen) countdown(key string, leftS, uS float64) {
	if math.IsNaN(leftS) {
		return
	}
	leftS, stepS := rounded(leftS, uS)
	temperature := labelled{s.Fig.Label, s.Fig.Digits + " " + s.Fig.Unit}
	s.Fig = figure{Label: s.word(key), Digits: minutes(leftS), Unit: "min", Small: append([]labelled{temperature}, s.Fig.Small...)}
	if stepS > 1 && !math.IsNaN(uS) {
		s.Fig.U = "± " + minutes(stepS*math.Ceil(uS/stepS))
	}
}

// draw draws the last minutes, the band of the window, and the way to the next change of
// its state.
func (s *screen) draw(c *cart, temp, low, high, awaitedS float64) (w warmth) {
	if !(low < high) {
		return w
	}
	ahead := 3 * time.Minute
	if !math.IsNaN(awaitedS) && awaitedS > 0 {
		ahead = min(warmthMaxAhead, max(time.Minute, time.Duration(awaitedS*1.3*1e9)))
	}
	samples := c.window.message.PastC
	past := min(warmthPast, max(time.Minute, time.Duration(len(samples))*wire.PastEveryS*time.Second))
	x := chart.TimeAxis{FromNs: -int64(past), ToNs: int64(ahead), LeftX: warmthLeftX, RightX: warmthRightX}
	minC, maxC := bounds(samples)
	span := high - low
	y := chart.NewAxis(max(min(minC, temp, low)-0.15*span, low-3*span), min(max(maxC, temp, high)+0.15*span, high+2*span), span/50, warmthBottomY, warmthTopY)
	inside := func(c float64) float64 { return min(warmthBottomY, max(warmthTopY, y.Y(c))) }
	w = warmth{Known: true, LowY: math.Round(inside(low)), HighY: math.Round(inside(high)), Low: s.celsius(low), High: s.celsius(high),
		Now: s.celsius(temp), NowX: x.X(0), NowY: math.Round(inside(temp)), NowRight: x.X(0) < warmthLeftX+labelWide}
	for i, celsius := range samples {
		age := time.Duration(len(samples)-i) * wire.PastEveryS * time.Second
		if age > past || math.IsNaN(float64(celsius)) {
			w.Past.Break()
			continue
		}
		w.Past.Line(x.X(-int64(age)), inside(float64(celsius)))
	}
	w.Past.Line(w.NowX, w.NowY)
	if math.IsNaN(awaitedS) || awaitedS <= 0 || awaitedS > warmthMaxAhead.Seconds() {
		return w
	}
	w.Awaited, w.AwaitedX = minutes(awaitedS), x.X(int64(awaitedS*1e9))
	towards := low
	if temp >= low && float64(c.window.message.RateCMin) > 0 {
		towards = high
	}
	w.Ahead.Line(w.NowX, w.NowY)
	w.Ahead.Line(w.AwaitedX, inside(towards))
	return w
}

// bounds returns the lowest and the highest temperature, +Inf and -Inf when none is known.
func bounds(celsius []wire.Number) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, c := range celsius {
		if v := float64(c); !math.IsNaN(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	return low, high
}
