package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"bayfill/bridge/chart"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// fleetOverview is one picture of all carts: a row each with the mean of its balance and the
// range of 95 of 100 jobs.
type fleetOverview struct {
	Tall, BottomY     float64
	BandX, BandWide   float64 // the tolerance of the verdict
	BandTall          float64
	Names, Ticks      []chart.Mark
	Dots, Lines, Axis chart.Path
}

// The layout of the overview. Letters are 12 high.
const (
	overviewLeftX, overviewRightX = 160.0, 680.0
	overviewRowTall               = 20.0
	maxOverviewRows               = 24 // more carts are in the table only
)

// fleetShort is what a report begins with: some carts, and how many others there are.
type fleetShort struct {
	Carts            []*FleetGroup
	Others, Drifting int // of the others so many drift
}

// Short returns all carts of a small fleet; of a large one those that drift, then those
// farthest from their target.
func (f *Fleet) Short() fleetShort {
	if len(f.Carts) <= maxOverviewRows {
		return fleetShort{Carts: f.Carts}
	}
	type rank struct {
		cart   *FleetGroup
		drifts bool
		farML  float64
	}
	ranks := make([]rank, len(f.Carts))
	for i, g := range f.Carts {
		ranks[i] = rank{cart: g, drifts: len(g.Drifts(words.Plain)) > 0}
		if g.Balance.Enough() {
			ranks[i].farML = math.Abs(g.Balance.Limits.Mean)
		}
	}
	slices.SortStableFunc(ranks, func(a, b rank) int {
		switch {
		case a.drifts && !b.drifts:
			return -1
		case b.drifts && !a.drifts:
			return 1
		}
		return cmp.Compare(b.farML, a.farML)
	})
	short := fleetShort{Others: len(ranks) - maxOverviewRows}
	for i, r := range ranks {
		if i < maxOverviewRows {
			short.Carts = append(short.Carts, r.cart)
		} else if r.drifts {
			short.Drifting++
		}
	}
	return short
}

// newFleetOverview draws the carts of which enough is known; nil: none is.
func newFleetOverview(carts []*FleetGroup) *fleetOverview {
	const toleranceML = 1000 * fillcalc.DefaultToleranceL
	var shown []*FleetGroup
	all := []float64{-1.2 * toleranceML, 1.2 * toleranceML}
	for _, g := range carts {
		if l := &g.Balance.Limits; g.Balance.Enough() {
			shown = append(shown, g)
			all = append(all, l.Mean-2*l.Sigma, l.Mean+2*l.Sigma)
		}
	}
	if shown == nil {
		return nil
	}
	x := chart.FitAxis(all, overviewLeftX, overviewRightX)
	p := &fleetOverview{BottomY: 10 + overviewRowTall*float64(len(shown))}
	p.Tall = p.BottomY + 22
	p.BandX = x.Y(-toleranceML)
	p.BandWide, p.BandTall = x.Y(toleranceML)-p.BandX, p.BottomY-6
	for i, g := range shown {
		y, l := 10+overviewRowTall*(float64(i)+0.5), &g.Balance.Limits
		p.Names = append(p.Names, chart.Mark{X: overviewLeftX - 6, Y: y + 4, Text: cut(g.Name(), 22)})
		p.Lines.Add("M%.1f %.1fH%.1f", x.Y(l.Mean-2*l.Sigma), y, x.Y(l.Mean+2*l.Sigma))
		p.Dots.Circle(x.Y(l.Mean), y, 4)
	}
	p.Axis.Add("M%.1f %.1fH%.1fM%.1f 6V%.1f", overviewLeftX, p.BottomY, overviewRightX, x.Y(0), p.BottomY)
	for _, tick := range x.Ticks("%.0f") {
		p.Ticks = append(p.Ticks, chart.Mark{X: tick.Y, Y: p.BottomY + 15, Text: tick.Text})
		p.Axis.Add("M%.1f %.1fv4", tick.Y, p.BottomY)
	}
	return p
}

// Label is the size of the picture for the template.
func (p *fleetOverview) Label() string { return fmt.Sprintf("0 0 700 %.0f", p.Tall) }
