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
	Newest int           `json:"newest"` // maximum of jobs per cart or fluid that are charted one by one
	Carts  []*FleetGroup `json:"carts"`
	Fluids []*FleetGroup `json:"fluids"`
}

// FleetGroup is the jobs of one cart, or the jobs with one fluid on any cart. Abandoned
// jobs are counted, and left out of everything else.
type FleetGroup struct {
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

// Name returns the cart with its shop, or the fluid.
func (g *FleetGroup) Name() string {
	if g.Cart != "" {
		return g.Shop + "/" + g.Cart
	}
	return g.Fluid
}

const (
	newestJobs = 300
	maxMeans   = 60 // of the older jobs, per cart or fluid
)

// Fleet computes the charts of the jobs that the query selects. The server does the
// counting: however many jobs there are, only what is drawn is fetched and kept.
func (s *Store) Fleet(ctx context.Context, q FleetQuery) (*Fleet, error) {
	f := newFleet(q)
	var err error
	if f.Carts, err = s.fleetGroups(ctx, q, "shop", "cart"); err != nil {
		return nil, err
	}
	if f.Fluids, err = s.fleetGroups(ctx, q, "fluid"); err != nil {
		return nil, err
	}
	if err := s.calibrations(ctx, q, "caddy", f.Carts, func(g *FleetGroup) *FleetChart { return &g.Caddy }); err != nil {
		return nil, err
	}
	if err := s.calibrations(ctx, q, "supply", f.Carts, func(g *FleetGroup) *FleetChart { return &g.Supply }); err != nil {
		return nil, err
	}
	if err := s.useChecks(ctx, q, f.Carts); err != nil {
		return nil, err
	}
	f.judge()
	return f, nil
}

func newFleet(q FleetQuery) *Fleet {
	return &Fleet{Since: time.Unix(0, q.SinceNs).UTC(), Until: time.Unix(0, q.UntilNs).UTC(), Newest: newestJobs}
}

// judge computes the limits of all charts, and what drifts.
func (f *Fleet) judge() {
	for _, g := range slices.Concat(f.Carts, f.Fluids) {
		g.Bottles.levelFluids()
		for _, chart := range []*FleetChart{&g.Balance, &g.Refill, &g.Caddy, &g.Supply, &g.Bottles, &g.Zero} {
			chart.judge()
		}
		g.Bottles.say(100*fillcalc.CheckSlope.Least(), bottlesMoved)
		g.Zero.say(1000*fillcalc.CheckZero.Least(), zeroMoved)
	}
}

// fleetGroups fetches the jobs in groups by some columns: the counts, the newest jobs
// one by one, and means of the older ones. The groups are in the order of their names.
func (s *Store) fleetGroups(ctx context.Context, q FleetQuery, by ...string) ([]*FleetGroup, error) {
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
	newest := figures("job", "level", "level_window") + "|> limit(n: " + whole(newestJobs) + `) |> sort(columns: ["_time"])`
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

	if maxClosed > newestJobs {
		days := int64(math.Ceil(float64(q.UntilNs-q.SinceNs) / float64(maxMeans*24*time.Hour)))
		older := figures() + "|> limit(n: 1000000000, offset: " + whole(newestJobs) + ") |> window(every: " + whole(max(1, days)) + `d)
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
func (s *Store) calibrations(ctx context.Context, q FleetQuery, scale string, carts []*FleetGroup, chart func(*FleetGroup) *FleetChart) error {
	slope, at := scale+"_slope", scale+"_calibrated_ns"
	newest := q.closingRecords(slope, at) + `
	|> group(columns: ["shop", "cart"]) |> unique(column: ` + list(at) + ") |> sort(columns: [" + list(at) + "], desc: true) |> limit(n: " + whole(newestJobs) + ") |> sort(columns: [" + list(at) + "])"
	return s.rows(ctx, newest, func(r *query.FluxRecord) error {
		for _, g := range carts {
			if g.Shop == value[string](r, "shop") && g.Cart == value[string](r, "cart") {
				c := chart(g)
				c.Points = append(c.Points, FleetPoint{AtNs: value[int64](r, at), Cart: g.Name(), X: 1e6 * (known(r, slope) - 1)})
			}
		}
		return nil
	})
}

// useChecks fetches what the newest closed jobs of each cart say about its scales. With
// another calibration, values cannot be compared: only those since the latest are kept.
func (s *Store) useChecks(ctx context.Context, q FleetQuery, carts []*FleetGroup) error {
	newest := q.closingRecords("job", "phase", "fluid", "check_slope", "check_slope_sensor", "check_zero_kg", "check_zero_sensor", "caddy_calibrated_ns", "supply_calibrated_ns") + `
	|> filter(fn: (r) => r.phase == "closed")
	|> group(columns: ["shop", "cart"]) |> sort(columns: ["_time"], desc: true) |> limit(n: ` + whole(newestJobs) + `) |> sort(columns: ["_time"])`
	return s.rows(ctx, newest, func(r *query.FluxRecord) error {
		for _, g := range carts {
			if g.Shop == value[string](r, "shop") && g.Cart == value[string](r, "cart") {
				bottles := FleetPoint{
					AtNs: r.Time().UnixNano(), Job: value[string](r, "job"), Cart: g.Name(), X: 100 * known(r, "check_slope"),
					Sensor: value[string](r, "check_slope_sensor"), Fluid: value[string](r, "fluid"),
					CalibratedNs: max(value[int64](r, "caddy_calibrated_ns"), value[int64](r, "supply_calibrated_ns")),
				}
				zero := bottles
				zero.X, zero.Sensor, zero.Fluid = 1000*known(r, "check_zero_kg"), value[string](r, "check_zero_sensor"), ""
				g.Bottles.addCheck(bottles)
				g.Zero.addCheck(zero)
			}
		}
		return nil
	})
}

// closingRecords returns the query for closing records with some of their fields. The
// server reads no others.
func (q FleetQuery) closingRecords(fields ...string) flux {
	where := is("_measurement", points.JobMeasurement)
	if q.Shop != "" {
		where += " and " + is("shop", q.Shop)
	}
	if q.Cart != "" {
		where += " and " + is("cart", q.Cart)
	}
	return pointsIn(span(q.SinceNs, q.UntilNs), where+" and "+isOneOf("_field", fields...)) + pivot
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
