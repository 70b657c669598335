package board

import (
	"fmt"
	"math"
)

// level is the picture that people look at instead of reading: two gauges on one
// scale of litres, what came out beside what went in, and the line up to which to
// pour.
type level struct {
	Out, In gauge
	Ticks   []tick
	// The line to pour up to, and what is missing below it.
	Aim           bool
	AimY          float64
	GapY, GapTall float64
	// The whole of it, when the aim is only the first fill.
	Target  bool
	TargetY float64
}

// gauge is one column: from Y down, Tall; unknown is drawn as such.
type gauge struct {
	Known   bool
	Y, Tall float64
}

// tick is a mark of the scale.
type tick struct {
	Y    float64
	Text string
}

// The gauges' bottom and height in the picture's own units.
const (
	gaugeBottomY = 600.0
	gaugeTallY   = 560.0
)

func newLevel(outL, inL, pourL, targetL, firstL float64) level {
	most := 1.0
	for _, l := range []float64{outL, inL, targetL} {
		if !math.IsNaN(l) {
			most = max(most, l)
		}
	}
	most, each := niceScale(most * 1.04)
	y := func(l float64) float64 {
		return math.Round(gaugeBottomY - gaugeTallY*min(1, max(0, l/most)))
	}
	fill := func(l float64) gauge {
		if math.IsNaN(l) {
			return gauge{}
		}
		return gauge{true, y(l), gaugeBottomY - y(l)}
	}
	v := level{Out: fill(outL), In: fill(inL)}
	for l := 0.0; l <= most+each/2; l += each {
		v.Ticks = append(v.Ticks, tick{y(l), fmt.Sprintf("%g", math.Round(l*10)/10)})
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

// niceScale is a round top of a scale that holds most, and how far its marks lie
// apart: four to six of them.
func niceScale(most float64) (top, each float64) {
	each = 0.1
	for _, factor := range []float64{2, 2.5, 2} {
		if most <= 6*each {
			break
		}
		each *= factor
	}
	for most > 6*each {
		each *= 2
	}
	return math.Ceil(most/each) * each, each
}
