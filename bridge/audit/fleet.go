package audit

import (
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/influxql"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// FleetQuery selects the jobs that ended in [SinceNs, UntilNs). Shop and Cart narrow
// the selection when they are not empty.
type FleetQuery struct {
	SinceNs, UntilNs int64
	Shop, Cart       string
}

// Fleet is the control charts of many jobs, computed from their closing records.
type Fleet struct {
	Since  time.Time     `json:"since"`
	Until  time.Time     `json:"until"`
	Newest int           `json:"newest"` // maximum of jobs per group that are charted one by one
	All    *FleetGroup   `json:"all"`
	Shops  []*FleetGroup `json:"shops"`
	Carts  []*FleetGroup `json:"carts"`
	Fluids []*FleetGroup `json:"fluids"`
}

// FleetGroup is the jobs of one cart, of one shop, of all shops, or the jobs with one fluid
// on any cart. Abandoned jobs are counted, and left out of everything else.
type FleetGroup struct {
	all       bool   // the jobs of all shops
	Shop      string `json:"shop,omitempty"`
	Cart      string `json:"cart,omitempty"`
	Fluid     string `json:"fluid,omitempty"`
	Jobs      int64  `json:"jobs"`
	Closed    int64  `json:"closed"`
	Abandoned int64  `json:"abandoned"`
	// Closed jobs whose level was judged while the check window was not open, and closed
	// jobs whose level was never judged.
	Outside  int64 `json:"judged_outside"`
	Unjudged int64 `json:"never_judged"`

	Balance FleetChart `json:"balance_ml"` // added minus target; minus drained where no target is known
	Refill  FleetChart `json:"drained_to_typical,omitzero"`
	// For carts only: the slope of each calibration of a scale, minus 1.
	Caddy  FleetChart `json:"caddy_slope_ppm,omitzero"`
	Supply FleetChart `json:"supply_slope_ppm,omitzero"`
	// For carts only: what jobs say about the scales by themselves, since these were
	// calibrated last.
	Bottles FleetChart `json:"bottles_pct,omitzero"`  // full bottles: weight less label, see levelFluids
	Zero    FleetChart `json:"caddy_zero_g,omitzero"` // emptied caddy: weight less its own
}

// NameFor returns the name of a group for a reader.
func (g *FleetGroup) NameFor(r words.Reader) string {
	switch name := g.Name(); {
	case g.all:
		return r.Word("fleet.all_shops")
	case name == "":
		return r.Word("fleet.no_name")
	default:
		return name
	}
}

// Name returns the cart with its shop, the fluid, or the shop; empty: all shops, or a fluid
// without a name.
func (g *FleetGroup) Name() string {
	switch {
	case g.Cart != "":
		return g.Shop + "/" + g.Cart
	case g.Shop != "":
		return g.Shop
	}
	return g.Fluid
}

const (
	newestJobs = 300
	maxMeans   = 60 // of the older jobs, per cart or fluid
	// maxPoints bounds the jobs that are charted one by one, and so the memory. Many carts
	// have fewer each, but never fewer than leastJobs.
	maxPoints = 30000
	leastJobs = 30
)

// newestOf is how many jobs each of some groups has charted one by one.
func newestOf(groups int) int {
	return min(newestJobs, max(leastJobs, maxPoints/max(1, groups)))
}

// Fleet computes the charts of the jobs that the query selects. Their closing records come
// in order of time: however many there are, only what is drawn is kept.
func (s *Store) Fleet(ctx context.Context, q FleetQuery) (*Fleet, error) {
	schema, err := s.schema(ctx)
	if err != nil {
		return nil, err
	}
	carts, err := s.carts(ctx, schema, q)
	if err != nil {
		return nil, err
	}
	f := newFleet(q)
	f.Newest = newestOf(carts)
	t := newTally(f)
	all := q.closingRecords(schema, fleetFields)
	all.InTime = []string{"shop", "cart"}
	err = s.rows(ctx, all, func(r *influxql.Row) error {
		t.add(closingOf(r))
		return nil
	})
	if err != nil {
		return nil, err
	}
	t.finish(f)
	return f, nil
}

func newFleet(q FleetQuery) *Fleet {
	return &Fleet{Since: time.Unix(0, q.SinceNs).UTC(), Until: time.Unix(0, q.UntilNs).UTC(), Newest: newestJobs}
}

// judge sums the carts up, and computes the limits of all charts and what drifts.
func (f *Fleet) judge() {
	f.sumUp()
	for _, g := range slices.Concat(f.Carts, f.Fluids, f.Shops, []*FleetGroup{f.All}) {
		g.Bottles.levelFluids()
		for _, chart := range []*FleetChart{&g.Balance, &g.Refill, &g.Caddy, &g.Supply, &g.Bottles, &g.Zero} {
			chart.judge()
		}
		g.Bottles.say(100*fillcalc.CheckSlope.Least(), bottlesMoved)
		g.Zero.say(1000*fillcalc.CheckZero.Least(), zeroMoved)
	}
}

// carts counts the carts with jobs.
func (s *Store) carts(ctx context.Context, schema influxql.Schema, q FleetQuery) (int, error) {
	all := q.closingRecords(schema, []string{"phase"})
	all.Of = influxql.Count
	found := map[[2]string]bool{}
	err := s.rows(ctx, all, func(r *influxql.Row) error {
		found[[2]string{r.Tags["shop"], r.Tags["cart"]}] = true
		return nil
	})
	return len(found), err
}

// closingRecords returns the query for some fields of closing records.
func (q FleetQuery) closingRecords(schema influxql.Schema, fields []string) influxql.Query {
	return influxql.Query{
		From: points.JobMeasurement, Fields: schema.Fields(points.JobMeasurement, fields...),
		Where: place(q.Shop, q.Cart), FromNs: q.SinceNs, UntilNs: q.UntilNs,
	}
}

// inOrder returns groups in the order of their names.
func inOrder[K comparable](groups map[K]*FleetGroup) []*FleetGroup {
	return slices.SortedFunc(maps.Values(groups), func(a, b *FleetGroup) int { return strings.Compare(a.Name(), b.Name()) })
}

// sumUp makes the groups of each shop and of all shops from those of the carts: the counts
// of all jobs, and charts of the newest.
func (f *Fleet) sumUp() {
	f.All = &FleetGroup{all: true}
	byShop := map[string]*FleetGroup{}
	for _, c := range f.Carts {
		if byShop[c.Shop] == nil {
			byShop[c.Shop] = &FleetGroup{Shop: c.Shop}
			f.Shops = append(f.Shops, byShop[c.Shop])
		}
		byShop[c.Shop].add(c)
		f.All.add(c)
	}
}

// add adds the jobs of another group. Means are of the older jobs of one group only.
func (g *FleetGroup) add(c *FleetGroup) {
	g.Jobs, g.Closed, g.Abandoned = g.Jobs+c.Jobs, g.Closed+c.Closed, g.Abandoned+c.Abandoned
	g.Outside, g.Unjudged = g.Outside+c.Outside, g.Unjudged+c.Unjudged
	g.Balance.addNewest(c.Balance.Points)
	g.Refill.addNewest(c.Refill.Points)
	g.Balance.Older, g.Refill.Older = nil, nil
}
