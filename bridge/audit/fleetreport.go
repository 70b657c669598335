package audit

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/chart"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

//go:embed fleet.html
var fleetPage string

// fleetTemplate is never executed itself: each page has the functions of its reader.
var fleetTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("fleet").Funcs(fleetFuncs(words.Plain)).Parse(fleetPage))
})

func fleetFuncs(r words.Reader) template.FuncMap {
	return template.FuncMap{
		"t":        r.Word,
		"say":      func(key string, pairs ...any) string { return r.Say(textOf(key, pairs)) },
		"lang":     func() words.Language { return r.Language },
		"name":     func(g *FleetGroup) string { return g.NameFor(r) },
		"pictures": func(g *FleetGroup) []fleetPicture { return g.pictures(r) },
		"day":      func(t time.Time) string { return t.Format("2006-01-02") },
		"figure":   chart.Figure,
		"drifts":   func(g *FleetGroup) []string { return g.Drifts(r) },
		"words":    func(d Drift) string { return r.Say(d.Says) },
		"inShort":  func(g *FleetGroup) string { return g.inShort(r) },
		"overview": newFleetOverview,
	}
}

// WriteHTML writes the charts as one page of HTML for a reader, which needs no script and no
// other file.
func (f *Fleet) WriteHTML(w io.Writer, r words.Reader) error {
	page, err := fleetTemplate().Clone()
	if err != nil {
		return err
	}
	return writePage(w, page.Funcs(fleetFuncs(r)), f)
}

// fleetCharts are the charts that a cart or a fluid may have.
var fleetCharts = [...]struct {
	short, title, format string
	of                   func(*FleetGroup) *FleetChart
}{
	{"fleet.short_balance", "fleet.chart_balance", "%.1f", func(g *FleetGroup) *FleetChart { return &g.Balance }},
	{"fleet.short_refill", "fleet.chart_refill", "%.3f", func(g *FleetGroup) *FleetChart { return &g.Refill }},
	{"fleet.short_caddy", "fleet.chart_caddy", "%.0f", func(g *FleetGroup) *FleetChart { return &g.Caddy }},
	{"fleet.short_supply", "fleet.chart_supply", "%.0f", func(g *FleetGroup) *FleetChart { return &g.Supply }},
	{"fleet.short_bottles", "fleet.chart_bottles", "%.2f", func(g *FleetGroup) *FleetChart { return &g.Bottles }},
	{"fleet.short_zero", "fleet.chart_zero", "%.0f", func(g *FleetGroup) *FleetChart { return &g.Zero }},
}

// Drifts says to a reader which charts drift now. An empty list may also mean that there
// were too few values to tell.
func (g *FleetGroup) Drifts(r words.Reader) (list []string) {
	for _, c := range fleetCharts {
		if d := c.of(g).Drift; d.Direction != NoDrift {
			list = append(list, r.Word(c.short)+" "+r.Say(d.Says))
		}
	}
	return list
}

// inShort says in plain sentences how a cart does.
func (g *FleetGroup) inShort(r words.Reader) string {
	b := &g.Balance
	say := func(key string, count int64, n labels) string {
		return r.Say(fillcalc.Text{Key: key, Figures: figures{"count": float64(count)}, Names: n})
	}
	if !b.Enough() {
		return say("fleet.says_few", int64(b.Limits.N), labels{"cart": g.Name()})
	}
	key, mean := "fleet.says_more", math.Round(b.Limits.Mean)
	switch {
	case mean == 0:
		key = "fleet.says_even"
	case mean < 0:
		key, mean = "fleet.says_less", -mean
	}
	list := []string{say(key, 0, labels{"cart": g.Name(), "mean": fmt.Sprintf("%.0f", mean), "spread": fmt.Sprintf("%.0f", 2*b.Limits.Sigma)})}
	if drifts := g.Drifts(r); len(drifts) > 0 {
		list = append(list, say("fleet.says_drifts", 0, labels{"what": strings.Join(drifts, "; ")}))
	} else {
		list = append(list, say("fleet.says_steady", 0, nil))
	}
	if missed := g.Outside + g.Unjudged; missed > 0 {
		list = append(list, say("fleet.says_missed", missed, nil))
	}
	return strings.Join(list, " ")
}

func (g *FleetGroup) pictures(r words.Reader) (list []fleetPicture) {
	for i, c := range fleetCharts {
		chart := c.of(g)
		if chart.IsZero() || g.Cart == "" && i > 0 {
			continue
		}
		list = append(list, newFleetPicture(r, r.Word(c.title), c.format, chart, i == 0 && g.Cart != ""))
	}
	return list
}
