package audit

import (
	"cmp"
	"math"
	"slices"

	"bayfill/bridge/points"
)

// FleetOf computes the charts of jobs from all their closing records, as [Store.Fleet] does
// from a server. Jobs older than the newest of a cart or fluid are counted and not charted.
func FleetOf(closings []Summary, q FleetQuery) *Fleet {
	f := newFleet(q)
	carts, fluids := map[string]*FleetGroup{}, map[string]*FleetGroup{}
	closings = slices.Clone(closings)
	slices.SortStableFunc(closings, func(a, b Summary) int { return cmp.Compare(a.EndsNs, b.EndsNs) })
	for i := range closings {
		c := closingOf(&closings[i])
		if c.EndsNs < q.SinceNs || c.EndsNs >= q.UntilNs || q.Shop != "" && q.Shop != c.Shop || q.Cart != "" && q.Cart != c.Cart {
			continue
		}
		cart := groupIn(carts, FleetGroup{Shop: c.Shop, Cart: c.Cart})
		cart.addJob(&c)
		cart.addScales(&c)
		groupIn(fluids, FleetGroup{Fluid: c.text("fluid")}).addJob(&c)
	}
	f.Carts, f.Fluids = inOrder(carts), inOrder(fluids)
	f.judge()
	return f
}

// groupIn returns the group of that name, which it makes if there is none.
func groupIn(groups map[string]*FleetGroup, g FleetGroup) *FleetGroup {
	if groups[g.Name()] == nil {
		groups[g.Name()] = &g
	}
	return groups[g.Name()]
}

// closing is a closing record with its fields by type.
type closing struct {
	*Summary
	fields points.Fields
}

func closingOf(s *Summary) closing { return closing{s, s.Point.Fields} }

func (c *closing) text(name string) string { v, _ := c.fields[name].(string); return v }

func (c *closing) int(name string) int64 { v, _ := c.fields[name].(int64); return v }

// figure is NaN when it is not known.
func (c *closing) figure(name string) float64 {
	if v, known := c.fields[name].(float64); known {
		return v
	}
	return math.NaN()
}

// level is how the level was judged at the end.
func (c *closing) level() Level {
	switch window := c.text("level_window"); {
	case c.text("level") == "":
		return Unjudged
	case window == "open" || window == "closing":
		return InWindow
	}
	return Outside
}

// addJob counts a job, and charts it if it was closed.
func (g *FleetGroup) addJob(c *closing) {
	g.Jobs++
	if c.text("phase") != "closed" {
		g.Abandoned++
		return
	}
	g.Closed++
	p := FleetPoint{AtNs: c.EndsNs, Job: c.Job, Cart: c.Shop + "/" + c.Cart, Level: c.level(), X: 1000 * (c.figure("added_l") - c.figure("target_l"))}
	switch p.Level {
	case Outside:
		g.Outside++
	case Unjudged:
		g.Unjudged++
	}
	if p.NoTarget = math.IsNaN(c.figure("target_l")); p.NoTarget {
		p.X = 1000 * c.figure("balance_l")
	}
	g.Balance.addNext(p)
	p.X, p.NoTarget = c.figure("drained_l")/c.figure("typical_l"), false
	g.Refill.addNext(p)
}

// addScales charts what a job says about the scales of its cart: each calibration once, and
// the checks by use.
func (g *FleetGroup) addScales(c *closing) {
	for _, s := range []struct {
		name  string
		chart *FleetChart
	}{{"caddy", &g.Caddy}, {"supply", &g.Supply}} {
		at := c.int(s.name + "_calibrated_ns")
		seen := slices.ContainsFunc(s.chart.Points, func(p FleetPoint) bool { return p.AtNs == at })
		if slope := c.figure(s.name + "_slope"); !seen && !math.IsNaN(slope) {
			s.chart.addNext(FleetPoint{AtNs: at, Cart: g.Name(), X: 1e6 * (slope - 1)})
		}
	}
	if c.text("phase") != "closed" {
		return
	}
	bottles := FleetPoint{
		AtNs: c.EndsNs, Job: c.Job, Cart: g.Name(), X: 100 * c.figure("check_slope"),
		Sensor: c.text("check_slope_sensor"), Fluid: c.text("fluid"),
		CalibratedNs: max(c.int("caddy_calibrated_ns"), c.int("supply_calibrated_ns")),
	}
	zero := bottles
	zero.X, zero.Sensor, zero.Fluid = 1000*c.figure("check_zero_kg"), c.text("check_zero_sensor"), ""
	g.Bottles.addCheck(bottles)
	g.Zero.addCheck(zero)
}

// addNext adds a point that is newer than all others, and drops the oldest of too many.
func (c *FleetChart) addNext(p FleetPoint) {
	c.Points = append(c.Points, p)
	c.Points = c.Points[max(0, len(c.Points)-newestJobs):]
}
