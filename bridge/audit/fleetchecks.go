package audit

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"bayfill/fillcalc"
)

// addCheck adds what the next job says about a scale, if it says anything. Another scale,
// or another calibration, begins the chart anew.
func (c *FleetChart) addCheck(p FleetPoint) {
	if !isNumber(p.X) {
		return
	}
	c.First = fillcalc.UseFirst
	if n := len(c.Points); n > 0 && (c.Points[n-1].Sensor != p.Sensor || c.Points[n-1].CalibratedNs != p.CalibratedNs) {
		c.Points = nil
	}
	c.Points = append(c.Points, p)
}

// With fewer jobs the mean of a fluid says little. Common practice, no source.
const minFluidJobs = 5

// levelFluids takes off by how much the mean of each fluid differs from the mean of all:
// bottles of another fluid may be filled in another way, and no scale has moved because of
// it. Fluids with few jobs are left out.
func (c *FleetChart) levelFluids() {
	n, sum := map[string]float64{}, map[string]float64{}
	for _, p := range c.Points {
		n[p.Fluid]++
		sum[p.Fluid] += p.X
	}
	c.Points = slices.DeleteFunc(c.Points, func(p FleetPoint) bool { return n[p.Fluid] < minFluidJobs })
	mean := NewIndividuals(c.values()).Mean
	for i := range c.Points {
		p := &c.Points[i]
		p.X += mean - sum[p.Fluid]/n[p.Fluid]
	}
}

// say puts a drift into a sentence that tells what to do, unless it is too little to
// matter.
func (c *FleetChart) say(least float64, sentence func(c *FleetChart, movedBy float64) fillcalc.Text) {
	if c.Drift.Direction == NoDrift {
		return
	}
	if by := c.movedBy(); math.Abs(by) >= least {
		c.Drift.Says = sentence(c, by)
	}
}

// sensor names the scale.
func (c *FleetChart) sensor() string { return c.Points[len(c.Points)-1].Sensor }

func bottlesMoved(c *FleetChart, pct float64) fillcalc.Text {
	return c.moved("drift.moved", "moved", fmt.Sprintf("%+.2f", pct))
}

func zeroMoved(c *FleetChart, g float64) fillcalc.Text {
	key := "drift.heavier"
	if g < 0 {
		key = "drift.lighter"
	}
	return c.moved(key, "grams", fmt.Sprintf("%.0f", math.Abs(g)))
}

// moved says by how much a scale has moved, since the point at which its drift began.
func (c *FleetChart) moved(key, name, by string) fillcalc.Text {
	n := maps.Clone(c.Drift.Says.Names)
	n["sensor"], n[name] = c.sensor(), by
	return fillcalc.Text{Key: key, Names: n}
}

// movedBy returns by how much the mean of the values since the drift began differs from
// that of the values before. It compares each fluid with itself and weights the differences
// by their variances; NaN when no fluid was there before and since.
func (c *FleetChart) movedBy() float64 {
	type sums struct{ n, x [2]float64 } // before, since
	fluids := map[string]*sums{}
	for _, p := range c.Points {
		if fluids[p.Fluid] == nil {
			fluids[p.Fluid] = &sums{}
		}
		when := 0
		if p.AtNs >= c.Drift.SinceNs {
			when = 1
		}
		fluids[p.Fluid].n[when]++
		fluids[p.Fluid].x[when] += p.X
	}
	weights, sum := 0.0, 0.0
	for _, name := range slices.Sorted(maps.Keys(fluids)) { // the same sum on every machine
		if s := fluids[name]; s.n[0] > 0 && s.n[1] > 0 {
			weight := 1 / (1/s.n[0] + 1/s.n[1])
			weights += weight
			sum += weight * (s.x[1]/s.n[1] - s.x[0]/s.n[0])
		}
	}
	return sum / weights
}
