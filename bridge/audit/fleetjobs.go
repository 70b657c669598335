package audit

import (
	"cmp"
	"math"
	"slices"
	"time"

	"bayfill/bridge/influxql"
)

// FleetOf computes the charts of jobs from all their closing records, as [Store.Fleet] does
// from a server.
func FleetOf(closings []Summary, q FleetQuery) *Fleet {
	f := newFleet(q)
	t := newTally(f)
	closings = slices.Clone(closings)
	slices.SortStableFunc(closings, func(a, b Summary) int { return cmp.Compare(a.EndsNs, b.EndsNs) })
	for i := range closings {
		c := closing{&closings[i]}
		if c.EndsNs < q.SinceNs || c.EndsNs >= q.UntilNs || q.Shop != "" && q.Shop != c.Shop || q.Cart != "" && q.Cart != c.Cart {
			continue
		}
		t.add(c)
	}
	t.finish(f)
	return f
}

// tally makes the groups of jobs that come in order of time.
type tally struct {
	newest        int           // how many jobs of a cart are charted one by one
	every         time.Duration // for each mean of older jobs
	carts, fluids map[string]*FleetGroup
}

func newTally(f *Fleet) *tally {
	const day = 24 * time.Hour
	long := f.Until.Sub(f.Since)
	return &tally{newest: f.Newest, every: max(1, (long/maxMeans+day-1)/day) * day, carts: map[string]*FleetGroup{}, fluids: map[string]*FleetGroup{}}
}

// add adds the next job.
func (t *tally) add(c closing) {
	cart := groupIn(t.carts, FleetGroup{Shop: c.Shop, Cart: c.Cart})
	cart.addJob(&c, t.newest, t.every)
	cart.addScales(&c, t.newest)
	// There are few fluids.
	groupIn(t.fluids, FleetGroup{Fluid: c.text("fluid")}).addJob(&c, newestJobs, t.every)
}

// finish judges the groups.
func (t *tally) finish(f *Fleet) {
	f.Carts, f.Fluids = inOrder(t.carts), inOrder(t.fluids)
	f.judge()
}

// groupIn returns the group of that name, which it makes if there is none.
func groupIn(groups map[string]*FleetGroup, g FleetGroup) *FleetGroup {
	if groups[g.Name()] == nil {
		groups[g.Name()] = &g
	}
	return groups[g.Name()]
}

// closing is a closing record.
type closing struct{ *Summary }

func closingOf(r *influxql.Row) closing {
	p, shop, cart := pointOf(r)
	s := SummaryOf(p, shop, cart)
	return closing{&s}
}

func (c *closing) text(name string) string { v, _ := c.Point.Fields[name].(string); return v }

func (c *closing) int(name string) int64 { v, _ := c.Point.Fields[name].(int64); return v }

// figure is NaN when it is not known.
func (c *closing) figure(name string) float64 {
	if v, known := c.Point.Fields[name].(float64); known {
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

// What a balance is against.
const (
	againstTarget  = "target"
	againstDrained = "drained"
)

// balance is added minus target, because that is what a shop controls, or minus drained
// where no target is known. ml is NaN when it is not known.
func (c *closing) balance() (ml float64, against string) {
	if target := c.figure("target_l"); !math.IsNaN(target) {
		return 1000 * (c.figure("added_l") - target), againstTarget
	}
	return 1000 * c.figure("balance_l"), againstDrained
}

// refill is drained to typical.
func (c *closing) refill() float64 { return c.figure("drained_l") / c.figure("typical_l") }

// addJob counts a job, and charts it if it was closed: the newest one by one.
func (g *FleetGroup) addJob(c *closing, newest int, every time.Duration) {
	g.Jobs++
	if c.text("phase") != "closed" {
		g.Abandoned++
		return
	}
	g.Closed++
	ml, against := c.balance()
	p := FleetPoint{AtNs: c.EndsNs, Job: c.Job, Cart: c.Shop + "/" + c.Cart, Level: c.level(), X: ml, NoTarget: against == againstDrained}
	switch p.Level {
	case Outside:
		g.Outside++
	case Unjudged:
		g.Unjudged++
	}
	g.Balance.addNext(p, newest, every)
	p.X, p.NoTarget = c.refill(), false
	g.Refill.addNext(p, newest, every)
}

// addScales charts what a job says about the scales of its cart: each calibration once, and
// the checks by use. Only the newest are kept.
func (g *FleetGroup) addScales(c *closing, newest int) {
	for _, s := range []struct {
		name  string
		chart *FleetChart
	}{{"caddy", &g.Caddy}, {"supply", &g.Supply}} {
		at := c.int(s.name + "_calibrated_ns")
		seen := slices.ContainsFunc(s.chart.Points, func(p FleetPoint) bool { return p.AtNs == at })
		if slope := c.figure(s.name + "_slope"); !seen && !math.IsNaN(slope) {
			s.chart.Points = append(s.chart.Points, FleetPoint{AtNs: at, Cart: g.Name(), X: 1e6 * (slope - 1)})
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
	for _, chart := range []*FleetChart{&g.Caddy, &g.Supply, &g.Bottles, &g.Zero} {
		chart.dropOldest(newest)
	}
}

// addNext adds a point that is newer than all others. The oldest of too many goes into the
// mean of its time.
func (c *FleetChart) addNext(p FleetPoint, newest int, every time.Duration) {
	c.Points = append(c.Points, p)
	if old, dropped := c.dropOldest(newest); dropped && isNumber(old.X) {
		c.addOlder(old, int64(every))
	}
}

// dropOldest drops the oldest point of one too many.
func (c *FleetChart) dropOldest(newest int) (old FleetPoint, dropped bool) {
	if len(c.Points) <= newest {
		return old, false
	}
	old, c.Points = c.Points[0], c.Points[1:]
	return old, true
}

// addOlder adds a point to the mean of its time, which is the newest or a new one.
func (c *FleetChart) addOlder(p FleetPoint, everyNs int64) {
	fromNs := p.AtNs - p.AtNs%everyNs
	if n := len(c.Older); n == 0 || c.Older[n-1].FromNs != fromNs {
		c.Older = append(c.Older, FleetMean{FromNs: fromNs, ToNs: fromNs + everyNs})
	}
	m := &c.Older[len(c.Older)-1]
	m.Jobs++
	m.X += (p.X - m.X) / float64(m.Jobs)
}
