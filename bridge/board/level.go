package board

import (
	"math"

	"bayfill/bridge/chart"
)

// level is a picture of the volumes, for people who do not read figures: two gauges on
// one scale of litres, one for what was drained and one for what was added, and the line
// up to which to pour.
type level struct {
	Out, In gauge
	Ticks   []chart.Mark
	// The line up to which to pour, and the gap below it that is still missing.
	Aim           bool
	AimY          float64
	GapY, GapTall float64
	// The line of the target, when the aim is only the first fill.
	Target  bool
	TargetY float64
}

// gauge is one column: its top, and its height down to the bottom of the picture. An
// unknown volume is drawn as a question mark.
type gauge struct {
	Known   bool
	Y, Tall float64
}

// The gauges' bottom and height in the picture's own units.
const (
	gaugeBottomY = 600.0
	gaugeTallY   = 560.0
)

func newLevel(outL, inL, pourL, targetL, firstL float64) level {
	maxL := 1.0
	for _, l := range []float64{outL, inL, targetL} {
		if !math.IsNaN(l) {
			maxL = max(maxL, l)
		}
	}
	axis := litresAxis(maxL*1.04, gaugeBottomY, gaugeBottomY-gaugeTallY)
	y := func(l float64) float64 { return math.Round(axis.Y(l)) }
	fill := func(l float64) gauge {
		if math.IsNaN(l) {
			return gauge{}
		}
		return gauge{true, y(l), gaugeBottomY - y(l)}
	}
	v := level{Out: fill(outL), In: fill(inL), Ticks: axis.Ticks(litresFormat)}
	for i := range v.Ticks {
		v.Ticks[i].Y = math.Round(v.Ticks[i].Y)
	}
	aimL := targetL
	if !math.IsNaN(firstL) {
		aimL = firstL
		v.Target, v.TargetY = !math.IsNaN(targetL) && targetL > 0.05, y(targetL)
	}
	if !math.IsNaN(aimL) && aimL > 0.05 {
		v.Aim, v.AimY = true, y(aimL)
		if v.In.Known && pourL > 0.005 && v.In.Y > v.AimY {
			v.GapY, v.GapTall = v.AimY, v.In.Y-v.AimY
		}
	}
	return v
}

// litresAxis returns a scale from 0 that contains maxL and has at most six steps.
func litresAxis(maxL, lowY, highY float64) chart.Axis {
	return chart.NewAxis(0, maxL, chart.RoundUp(maxL/6), lowY, highY)
}

// litresFormat formats a tick of such a scale. It rounds, because no float64 holds most
// multiples of the step exactly.
const litresFormat = "%.10g"
