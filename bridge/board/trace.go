package board

import (
	"math"

	"bayfill/bridge/chart"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

// trace is a picture of a scale's signal around a change. A thin line is what the scale
// showed before; at its end stands how long the picture lasts. The size of the change
// stands at the end of the signal.
type trace struct {
	Known         bool
	Signal        chart.Path
	BeforeY       float64
	Size, Lasts   string
	SizeY, LastsY float64
}

// The layout of the picture. Right of the lines is room for the texts.
const (
	traceLeftX, traceRightX         = 5.0, 124.0
	traceTopY, traceBottomY         = 9.0, 91.0
	traceTextTopY, traceTextBottomY = 18.0, 82.0 // of the texts' middles
	traceTextHeight                 = 32.0
)

// Beyond these no scale sends a signal, and none shows a change.
const (
	maxTracePoints           = 64
	minTraceKg, maxTraceKg   = 0.01, 1e6 // from the lowest point to the highest
	minTraceSec, maxTraceSec = 1, 1e6
)

// newTrace draws the signal around the change in question. There is no picture without a
// signal, nor of one that shows no change.
func newTrace(r words.Reader, q *wire.JobQuestion) (t trace) {
	low, high, last := reach(q.TraceKg)
	steps, tall := len(q.TraceKg)-1, high-low
	if steps < 1 || steps >= maxTracePoints || !(tall >= minTraceKg && tall <= maxTraceKg) || math.IsNaN(float64(q.Kg)) {
		return t
	}
	y := chart.NewAxis(low, high, tall/40, traceBottomY, traceTopY)
	t.Known, t.BeforeY = true, math.Round(y.Y(0))
	t.draw(q.TraceKg, y)
	t.Size = sizeText(r, float64(q.Kg))
	if s := float64(steps) * float64(q.TraceStepS); s >= minTraceSec && s <= maxTraceSec {
		t.Lasts = r.Figure("lasts_s", math.Round(s))
	}
	t.placeTexts(math.Round(y.Y(last)))
	return t
}

// reach returns the lowest and the highest point, of which what the scale showed before is
// one, and the last point that is known.
func reach(points []wire.Number) (low, high, last float64) {
	for _, point := range points {
		if kg := float64(point); !math.IsNaN(kg) {
			low, high, last = min(low, kg), max(high, kg), kg
		}
	}
	return low, high, last
}

// draw draws the signal. An unknown point makes a gap.
func (t *trace) draw(points []wire.Number, y chart.Axis) {
	step := (traceRightX - traceLeftX) / float64(len(points)-1)
	for i, kg := range points {
		if math.IsNaN(float64(kg)) {
			t.Signal.Break()
			continue
		}
		t.Signal.Line(traceLeftX+float64(i)*step, y.Y(float64(kg)))
	}
}

// placeTexts places each text at the end of its line. When the lines end so close to each
// other that the texts would overlap, that of the signal moves away.
func (t *trace) placeTexts(endY float64) {
	inside := func(y float64) float64 { return max(traceTextTopY, min(y, traceTextBottomY)) }
	t.SizeY, t.LastsY = inside(endY), inside(t.BeforeY)
	if math.Abs(t.SizeY-t.LastsY) >= traceTextHeight {
		return
	}
	above, below := inside(t.LastsY-traceTextHeight), inside(t.LastsY+traceTextHeight)
	t.SizeY = above
	if room, roomAbove := below-t.LastsY, t.LastsY-above; room > roomAbove || room == roomAbove && endY > t.BeforeY {
		t.SizeY = below
	}
}

// sizeText prints the size of a change with its sign.
func sizeText(r words.Reader, kg float64) string {
	text := r.Units.Mass(math.Abs(kg))
	if kg < 0 {
		return "−" + text
	}
	return "+" + text
}
