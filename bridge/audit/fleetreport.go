package audit

import (
	_ "embed"
	"html/template"
	"io"
	"time"

	"bayfill/bridge/chart"
)

//go:embed fleet.html
var fleetPage string

var fleetTemplate = template.Must(template.New("fleet").Funcs(template.FuncMap{
	"pictures": func(g *FleetGroup) []fleetPicture { return g.pictures() },
	"day":      func(t time.Time) string { return t.Format("2006-01-02") },
	"figure":   chart.Figure,
	"drifts":   func(g *FleetGroup) []string { return g.Drifts() },
}).Parse(fleetPage))

// WriteHTML writes the charts as one page of HTML that needs no script and no other
// file.
func (f *Fleet) WriteHTML(w io.Writer) error { return fleetTemplate.Execute(w, f) }

// fleetCharts are the charts that a cart or a fluid may have.
var fleetCharts = [...]struct {
	short, title, format string
	of                   func(*FleetGroup) *FleetChart
}{
	{"balance", "Balance: added less target, mL", "%.1f", func(g *FleetGroup) *FleetChart { return &g.Balance }},
	{"drained to typical", "Drained to typical refill, ratio", "%.3f", func(g *FleetGroup) *FleetChart { return &g.Refill }},
	{"caddy scale", "Calibrations of the caddy's scale: slope from 1, ppm", "%.0f", func(g *FleetGroup) *FleetChart { return &g.Caddy }},
	{"supply scale", "Calibrations of the supply's scale: slope from 1, ppm", "%.0f", func(g *FleetGroup) *FleetChart { return &g.Supply }},
	{"full bottles:", "Full bottles since the last calibration: weight less label, fluids levelled, %", "%.2f", func(g *FleetGroup) *FleetChart { return &g.Bottles }},
	{"emptied caddy:", "Emptied caddy since the last calibration: weight less its own, g", "%.0f", func(g *FleetGroup) *FleetChart { return &g.Zero }},
}

// Drifts says in words which charts drift now. An empty list may also mean that there
// were too few values to tell.
func (g *FleetGroup) Drifts() (words []string) {
	for _, c := range fleetCharts {
		if d := c.of(g).Drift; d.Direction != NoDrift {
			words = append(words, c.short+" "+d.Words)
		}
	}
	return words
}

func (g *FleetGroup) pictures() (list []fleetPicture) {
	for i, c := range fleetCharts {
		chart := c.of(g)
		if chart.IsZero() || g.Cart == "" && i > 0 {
			continue
		}
		list = append(list, newFleetPicture(c.title, c.format, chart, i == 0 && g.Cart != ""))
	}
	return list
}
