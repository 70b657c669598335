package chart

import (
	"fmt"
	"math"
	"strings"
)

// Mark is a text at a position.
type Mark struct {
	X, Y float64
	Text string
}

// Axis maps values to y. Both ends are multiples of the step between its ticks.
type Axis struct {
	step        float64
	first, last float64 // the ends, in steps: whole numbers
	lowY, highY float64
}

const (
	// Beyond it the width of a scale may overflow.
	maxValue = 1e307
	// More ticks than any chart has room for: a step that is too small for its
	// range is raised.
	maxSteps = 50
)

// NewAxis returns an axis that contains low and high, with a tick at each multiple
// of step, a number above 0. lowY and highY are the positions of its ends.
func NewAxis(low, high, step, lowY, highY float64) Axis {
	if !(low <= high) { // also when one is NaN
		low, high = 0, 0
	}
	low, high = max(-maxValue, min(low, maxValue)), max(-maxValue, min(high, maxValue))
	// A step below the resolution of a float64 would give equal ticks.
	if minStep := max((high-low)/maxSteps, 1e-12*max(math.Abs(low), math.Abs(high))); step < minStep {
		step = RoundUp(minStep)
	}
	a := Axis{step, math.Floor(low / step), math.Ceil(high / step), lowY, highY}
	if a.last <= a.first {
		a.last = a.first + 1
	}
	return a
}

// FitAxis returns an axis that contains all known values, with at least three
// steps. Equal values lie in its middle.
func FitAxis(values []float64, lowY, highY float64) Axis {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if math.Abs(v) <= maxValue {
			low, high = min(low, v), max(high, v)
		}
	}
	if low > high {
		low, high = 0, 0
	}
	if high-low <= max(1e-9*math.Abs(low), 1e-200) {
		margin := max(1, math.Abs(low))
		low, high = low-margin, high+margin
	}
	return NewAxis(low, high, RoundDown((high-low)/3), lowY, highY)
}

// Y returns the position of a value. A value beyond an end lies at that end, an
// unknown one at the low end.
func (a Axis) Y(v float64) float64 {
	if !known(v) {
		return a.lowY
	}
	share := (v - a.first*a.step) / ((a.last - a.first) * a.step)
	return a.at(min(1, max(0, share)))
}

func (a Axis) at(share float64) float64 { return a.lowY + (a.highY-a.lowY)*share }

// Ticks returns a mark for each tick from the low end to the high end, at x 0. The
// text is the value in the given format of package fmt.
func (a Axis) Ticks(format string) (ticks []Mark) {
	steps := a.last - a.first
	for i := 0.0; i <= steps; i++ {
		ticks = append(ticks, Mark{Y: a.at(i / steps), Text: Figure(format, (a.first+i)*a.step)})
	}
	return ticks
}

// Figure formats a value with a real minus sign; an unknown value is a dash.
func Figure(format string, v float64) string {
	if !known(v) {
		return "–"
	}
	return strings.ReplaceAll(fmt.Sprintf(format, v+0), "-", "−") // -0 + 0 is 0
}

func known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
