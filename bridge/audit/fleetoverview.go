package audit

import (
	"fmt"

	"bayfill/bridge/chart"
	"bayfill/fillcalc"
)

// fleetOverview is one picture of all carts: a row each with the mean of its balance and the
// range of 95 of 100 jobs.
type fleetOverview struct {
	Tall, BottomY     float64
	BandX, BandWide   float64 // the tolerance of the verdict
	Names, Ticks      []chart.Mark
	Dots, Lines, Axis chart.Path
}

// The layout of the overview. Letters are 12 high.
const (
	overviewLeftX, overviewRightX = 160.0, 680.0
	overviewRowTall               = 20.0
	maxOverviewRows               = 24 // more carts are in the table only
)

// newFleetOverview draws the carts of which enough is known; nil: none is.
func newFleetOverview(f *Fleet) *fleetOverview {
	const toleranceML = 1000 * fillcalc.DefaultToleranceL
	var shown []*FleetGroup
	all := []float64{-1.2 * toleranceML, 1.2 * toleranceML}
	for _, g := range f.Carts {
		if l := &g.Balance.Limits; g.Balance.Enough() && len(shown) < maxOverviewRows {
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
	p.BandWide = x.Y(toleranceML) - p.BandX
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
