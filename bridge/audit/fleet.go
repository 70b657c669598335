package audit

import (
	"context"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/query"

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

// Fleet computes the charts of the jobs that the query selects. The server does the
// counting, one shop after the other: however many jobs there are, only what is drawn is
// fetched and kept.
func (s *Store) Fleet(ctx context.Context, q FleetQuery) (*Fleet, error) {
	f := newFleet(q)
	shops, carts, err := s.shops(ctx, q)
	if err != nil {
		return nil, err
	}
	f.Newest = newestOf(carts)
	for _, q.Shop = range shops {
		if err := s.fleetOfShop(ctx, q, f); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(f.Fluids, func(a, b *FleetGroup) int { return strings.Compare(a.Fluid, b.Fluid) })
	f.judge()
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

// shops lists the shops with jobs, and counts the carts.
func (s *Store) shops(ctx context.Context, q FleetQuery) (shops []string, carts int, err error) {
	all := pointsIn(span(q.SinceNs, q.UntilNs), q.place()+" and "+is("_field", "phase")) + "\n|> count()"
	found := map[string]bool{}
	err = s.rows(ctx, all, func(r *query.FluxRecord) error {
		found[value[string](r, "shop")] = true
		carts++
		return nil
	})
	return slices.Sorted(maps.Keys(found)), carts, err
}

// fleetOfShop adds the jobs of one shop to the charts.
func (s *Store) fleetOfShop(ctx context.Context, q FleetQuery, f *Fleet) error {
	carts, err := s.fleetGroups(ctx, q, f.Newest, "shop", "cart")
	if err != nil {
		return err
	}
	fluids, err := s.fleetGroups(ctx, q, f.Newest, "fluid")
	if err != nil {
		return err
	}
	if err := s.calibrations(ctx, q, f.Newest, "caddy", carts, func(g *FleetGroup) *FleetChart { return &g.Caddy }); err != nil {
		return err
	}
	if err := s.calibrations(ctx, q, f.Newest, "supply", carts, func(g *FleetGroup) *FleetChart { return &g.Supply }); err != nil {
		return err
	}
	if err := s.useChecks(ctx, q, f.Newest, carts); err != nil {
		return err
	}
	f.Carts = append(f.Carts, carts...)
	for _, g := range fluids {
		if i := slices.IndexFunc(f.Fluids, func(has *FleetGroup) bool { return has.Fluid == g.Fluid }); i >= 0 {
			f.Fluids[i].add(g)
		} else {
			f.Fluids = append(f.Fluids, g)
		}
	}
	return nil
}

// fleetGroups fetches the jobs in groups by some columns: the counts, the newest jobs
// one by one, and means of the older ones. The groups are in the order of their names.
func (s *Store) fleetGroups(ctx context.Context, q FleetQuery, one int, by ...string) ([]*FleetGroup, error) {
	byNames := list(by...)
	type key struct{ shop, cart, fluid string }
	groups := map[key]*FleetGroup{}
	group := func(r *query.FluxRecord) *FleetGroup {
		k := key{fluid: value[string](r, "fluid")}
		if by[0] != "fluid" {
			k = key{shop: value[string](r, "shop"), cart: value[string](r, "cart")}
		}
		if groups[k] == nil {
			groups[k] = &FleetGroup{Shop: k.shop, Cart: k.cart, Fluid: k.fluid}
		}
		return groups[k]
	}
	count := q.closingRecords("phase", "fluid", "level", "level_window") + `
	|> group(columns: [` + byNames + `])
	|> reduce(identity: {jobs: 0, closed: 0, outside: 0, unjudged: 0}, fn: (r, accumulator) => ({
		jobs: accumulator.jobs + 1,
		closed: accumulator.closed + (if r.phase == "closed" then 1 else 0),
		outside: accumulator.outside + (if r.phase == "closed" and ` + judged + ` and not ` + inWindow + ` then 1 else 0),
		unjudged: accumulator.unjudged + (if r.phase == "closed" and not ` + judged + ` then 1 else 0)
	}))`
	maxClosed := int64(0)
	if err := s.rows(ctx, count, func(r *query.FluxRecord) error {
		g := group(r)
		g.Jobs, g.Closed = value[int64](r, "jobs"), value[int64](r, "closed")
		g.Abandoned = g.Jobs - g.Closed
		g.Outside, g.Unjudged = value[int64](r, "outside"), value[int64](r, "unjudged")
		maxClosed = max(maxClosed, g.Closed)
		return nil
	}); err != nil {
		return nil, err
	}

	// Only the place of a job on the charts goes over the wire.
	figures := func(more ...string) flux {
		fields := append(more, "phase", "fluid", "added_l", "target_l", "balance_l", "drained_l", "typical_l")
		return q.closingRecords(fields...) + `
		|> filter(fn: (r) => r.phase == "closed")
		|> group(columns: [` + byNames + `])` + jobFigures("_time", "shop", "cart", "fluid", "job") + `
		|> sort(columns: ["_time"], desc: true)
		`
	}
	newest := figures("job", "level", "level_window") + "|> limit(n: " + whole(int64(one)) + `) |> sort(columns: ["_time"])`
	if err := s.rows(ctx, newest, func(r *query.FluxRecord) error {
		g := group(r)
		p := FleetPoint{
			AtNs: r.Time().UnixNano(), Job: value[string](r, "job"), Cart: value[string](r, "shop") + "/" + value[string](r, "cart"),
			Level: Level(value[string](r, "judged")), X: known(r, "ml"), NoTarget: value[string](r, "against") == againstDrained,
		}
		g.Balance.Points = append(g.Balance.Points, p)
		p.X, p.NoTarget = known(r, "refill"), false
		g.Refill.Points = append(g.Refill.Points, p)
		return nil
	}); err != nil {
		return nil, err
	}

	if maxClosed > int64(one) {
		days := int64(math.Ceil(float64(q.UntilNs-q.SinceNs) / float64(maxMeans*24*time.Hour)))
		older := figures() + "|> limit(n: 1000000000, offset: " + whole(int64(one)) + ") |> window(every: " + whole(max(1, days)) + `d)
		|> reduce(identity: {jobs: 0, ml: 0.0, refills: 0, refill: 0.0}, fn: (r, accumulator) => ({
			jobs: accumulator.jobs + (if exists r.ml then 1 else 0),
			ml: accumulator.ml + (if exists r.ml then float(v: r.ml) else 0.0),
			refills: accumulator.refills + (if exists r.refill then 1 else 0),
			refill: accumulator.refill + (if exists r.refill then float(v: r.refill) else 0.0)
		}))`
		if err := s.rows(ctx, older, func(r *query.FluxRecord) error {
			g := group(r)
			g.Balance.addOlder(r, value[int64](r, "jobs"), value[float64](r, "ml"))
			g.Refill.addOlder(r, value[int64](r, "refills"), value[float64](r, "refill"))
			return nil
		}); err != nil {
			return nil, err
		}
	}
	return inOrder(groups), nil
}

// inOrder returns groups in the order of their names.
func inOrder[K comparable](groups map[K]*FleetGroup) []*FleetGroup {
	return slices.SortedFunc(maps.Values(groups), func(a, b *FleetGroup) int { return strings.Compare(a.Name(), b.Name()) })
}

// calibrations fetches each calibration of a scale with which a job was done, once.
func (s *Store) calibrations(ctx context.Context, q FleetQuery, one int, scale string, carts []*FleetGroup, chart func(*FleetGroup) *FleetChart) error {
	slope, at := scale+"_slope", scale+"_calibrated_ns"
	newest := q.closingRecords(slope, at) + `
	|> group(columns: ["shop", "cart"]) |> unique(column: ` + list(at) + ") |> sort(columns: [" + list(at) + "], desc: true) |> limit(n: " + whole(int64(one)) + ") |> sort(columns: [" + list(at) + "])"
	byName := named(carts)
	return s.rows(ctx, newest, func(r *query.FluxRecord) error {
		if g := byName[cartOf(r)]; g != nil {
			c := chart(g)
			c.Points = append(c.Points, FleetPoint{AtNs: value[int64](r, at), Cart: g.Name(), X: 1e6 * (known(r, slope) - 1)})
		}
		return nil
	})
}

// useChecks fetches what the newest closed jobs of each cart say about its scales. With
// another calibration, values cannot be compared: only those since the latest are kept.
func (s *Store) useChecks(ctx context.Context, q FleetQuery, one int, carts []*FleetGroup) error {
	newest := q.closingRecords("job", "phase", "fluid", "check_slope", "check_slope_sensor", "check_zero_kg", "check_zero_sensor", "caddy_calibrated_ns", "supply_calibrated_ns") + `
	|> filter(fn: (r) => r.phase == "closed")
	|> group(columns: ["shop", "cart"]) |> sort(columns: ["_time"], desc: true) |> limit(n: ` + whole(int64(one)) + `) |> sort(columns: ["_time"])`
	byName := named(carts)
	return s.rows(ctx, newest, func(r *query.FluxRecord) error {
		g := byName[cartOf(r)]
		if g == nil {
			return nil
		}
		bottles := FleetPoint{
			AtNs: r.Time().UnixNano(), Job: value[string](r, "job"), Cart: g.Name(), X: 100 * known(r, "check_slope"),
			Sensor: value[string](r, "check_slope_sensor"), Fluid: value[string](r, "fluid"),
			CalibratedNs: max(value[int64](r, "caddy_calibrated_ns"), value[int64](r, "supply_calibrated_ns")),
		}
		zero := bottles
		zero.X, zero.Sensor, zero.Fluid = 1000*known(r, "check_zero_kg"), value[string](r, "check_zero_sensor"), ""
		g.Bottles.addCheck(bottles)
		g.Zero.addCheck(zero)
		return nil
	})
}

// named finds carts by shop and name.
func named(carts []*FleetGroup) map[string]*FleetGroup {
	byName := map[string]*FleetGroup{}
	for _, g := range carts {
		byName[g.Name()] = g
	}
	return byName
}

// cartOf returns the cart of a record, with its shop.
func cartOf(r *query.FluxRecord) string {
	return value[string](r, "shop") + "/" + value[string](r, "cart")
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

// closingRecords returns the query for closing records with some of their fields. The
// server reads no others.
func (q FleetQuery) closingRecords(fields ...string) flux {
	return pointsIn(span(q.SinceNs, q.UntilNs), q.place()+" and "+isOneOf("_field", fields...)) + pivot
}

// place is the condition for closing records of the shop and the cart of the query.
func (q FleetQuery) place() flux {
	where := is("_measurement", points.JobMeasurement)
	if q.Shop != "" {
		where += " and " + is("shop", q.Shop)
	}
	if q.Cart != "" {
		where += " and " + is("cart", q.Cart)
	}
	return where
}

// Conditions on a closing record, in Flux: the level was judged at the end, and the
// check window was open then.
const (
	judged   = `(exists r.level)`
	inWindow = `(r.level_window == "open" or r.level_window == "closing")`
)

// againstDrained marks the balance of a job without a known target.
const againstDrained = "drained"

// jobFigures returns the query that computes the charted figures of each record and
// keeps some columns. The balance is against the target, because that is what a shop
// controls. The Flux of InfluxDB 1.8 refuses a conditional whose branches use a column
// that no record of a table has, unless float() gives its type.
func jobFigures(columns ...string) flux {
	q := flux("\n|> map(fn: (r) => ({")
	for _, c := range columns {
		q += name(c) + ": r." + name(c) + ", "
	}
	return q + `
		against: if exists r.target_l then "target" else "` + againstDrained + `",
		ml: if exists r.target_l then 1000.0 * (float(v: r.added_l) - float(v: r.target_l)) else 1000.0 * float(v: r.balance_l),
		refill: float(v: r.drained_l) / float(v: r.typical_l),
		judged: if not ` + judged + ` then ` + quote(string(Unjudged)) + ` else if ` + inWindow + ` then ` + quote(string(InWindow)) + ` else ` + quote(string(Outside)) + `
	}))`
}

// value returns the value of a column, the zero value where there is none.
func value[T any](r *query.FluxRecord, column string) T {
	v, _ := r.ValueByKey(column).(T)
	return v
}

// known returns a figure of a column, NaN where there is none.
func known(r *query.FluxRecord, column string) float64 {
	if v, ok := r.ValueByKey(column).(float64); ok {
		return v
	}
	return math.NaN()
}
