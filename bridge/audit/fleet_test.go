package audit

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// fleetEnd is when all the invented jobs below had ended.
var fleetEnd = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

// inventedJob is a closing record that no bridge wrote. A zero field is unknown.
type inventedJob struct {
	atNs                   int64
	shop, cart, job, fluid string // shop: hilltop when empty
	phase                  string
	addedL, drainedL       float64
	targetL, typicalL      float64
	level, levelWindow     string
	slope                  float64
	calibratedNs           int64
	checks                 string // fields of the checks by use
}

func (j inventedJob) line() string {
	text := strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace
	b := fmt.Appendf(nil, `bayfill_job,shop=%s,cart=%s fold=1i,job="%s",vehicle="v",phase="%s",fluid="%s",seq=7i,changes=1i,added_l=%.17e,drained_l=%.17e,balance_l=%.17e`,
		cmp.Or(j.shop, "hilltop"), j.cart, text(j.job), j.phase, text(j.fluid), j.addedL, j.drainedL, j.addedL-j.drainedL)
	if j.targetL > 0 {
		b = fmt.Appendf(b, ",target_l=%.17e", j.targetL)
	}
	if j.typicalL > 0 {
		b = fmt.Appendf(b, ",typical_l=%.17e", j.typicalL)
	}
	if j.level != "" {
		b = fmt.Appendf(b, ",level=%q,level_window=%q,level_c=4e+01", j.level, j.levelWindow)
	}
	if j.slope > 0 {
		b = fmt.Appendf(b, ",caddy_slope=%.17e,caddy_calibrated_ns=%di", j.slope, j.calibratedNs)
	}
	return string(fmt.Appendf(b, "%s,chain=%q %d\n", j.checks, strings.Repeat("0", 64), j.atNs))
}

// inventedFleet returns jobs of several carts in the time up to fleetEnd, in order.
func inventedFleet(jobs, carts int, long time.Duration) (list []inventedJob) {
	rng := rand.New(rand.NewPCG(1, 1))
	start := fleetEnd.Add(-long).UnixNano()
	for i := range jobs {
		drained := 4 + 0.3*rng.NormFloat64()
		list = append(list, inventedJob{
			atNs: start + int64(i)*(int64(long)/int64(jobs)), cart: fmt.Sprintf("bay%d", i%carts+1), job: fmt.Sprintf("van-%d", i+1),
			fluid: fmt.Sprintf("amber %d", 4+i/carts%3), phase: "closed", drainedL: drained, targetL: drained + 0.05, typicalL: 4,
			addedL: drained + 0.05 + 0.008*rng.NormFloat64(), level: "right", levelWindow: "open",
			slope: 1 + 1e-5*float64(i*4/jobs), calibratedNs: start - 1e9 + int64(i*4/jobs)*(int64(long)/4),
		})
	}
	return list
}

func linesOf(jobs []inventedJob) string {
	var lines strings.Builder
	for _, j := range jobs {
		lines.WriteString(j.line())
	}
	return lines.String()
}

const inventedTime = 20 * 24 * time.Hour // few shards: the server is slow to make one

// In a real InfluxDB every count, point and mean equals what the jobs themselves give,
// and of the carts only the one with a shifted balance drifts.
func TestFleet(t *testing.T) {
	jobs := inventedFleet(1000, 2, inventedTime)
	for i := range jobs {
		j := &jobs[i]
		switch {
		case i%20 == 3:
			j.phase = "abandoned"
		case i%20 == 4:
			j.levelWindow = "above"
		case i%20 == 5:
			j.level = ""
		case i%20 == 6:
			j.levelWindow = "closing"
		case i%20 == 7:
			j.targetL, j.addedL = 0, j.drainedL+0.001
		case i%20 == 8:
			j.typicalL = 0
		}
		if j.cart == "bay2" && i > 940 {
			j.addedL += 0.02
		}
	}
	jobs[900].addedL += 0.2 // bay1
	jobs[999].fluid, jobs[999].job = `<script>alert("1")</script>`, `=1+1`
	q := FleetQuery{SinceNs: jobs[10].atNs, UntilNs: jobs[999].atNs + 1} // from the eleventh
	db := bridgetest.StartInflux(t)
	db.Write(linesOf(jobs))
	// A job after the end and a job of another shop: the query must leave both out.
	late := jobs[999]
	late.atNs += 2
	db.Write(late.line() + strings.Replace(jobs[500].line(), "shop=hilltop", "shop=valley", 1))
	s := storeOf(t, db)
	q.Shop = "hilltop"
	f, err := s.Fleet(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	check := func(g *FleetGroup, of func(inventedJob) bool) {
		t.Helper()
		var want FleetGroup
		var ml, ratio []float64
		for _, j := range jobs[10:] {
			if !of(j) {
				continue
			}
			want.Jobs++
			if j.phase != "closed" {
				want.Abandoned++
				continue
			}
			want.Closed++
			switch {
			case j.level == "":
				want.Unjudged++
			case j.levelWindow == "above":
				want.Outside++
			}
			against, typical := j.targetL, j.typicalL
			if against == 0 {
				against = j.drainedL
			}
			if typical == 0 {
				typical = math.NaN()
			}
			ml, ratio = append(ml, 1000*(j.addedL-against)), append(ratio, j.drainedL/typical)
		}
		if g.Jobs != want.Jobs || g.Closed != want.Closed || g.Abandoned != want.Abandoned || g.Outside != want.Outside || g.Unjudged != want.Unjudged {
			t.Errorf("%s: counted %d %d %d %d %d, want %d %d %d %d %d", g.Name(), g.Jobs, g.Closed, g.Abandoned, g.Outside, g.Unjudged,
				want.Jobs, want.Closed, want.Abandoned, want.Outside, want.Unjudged)
		}
		for _, c := range []struct {
			name  string
			chart *FleetChart
			want  []float64
		}{{"balance", &g.Balance, ml}, {"refill", &g.Refill, ratio}} {
			olderCount := max(0, len(c.want)-newestJobs)
			got := c.chart.values()
			if !slices.EqualFunc(got, c.want[olderCount:], func(a, b float64) bool { return math.Abs(a-b) < 1e-9 || math.IsNaN(a) && math.IsNaN(b) }) {
				t.Errorf("%s, %s: points differ: %d, want %d", g.Name(), c.name, len(got), len(c.want)-olderCount)
			}
			n, sum := int64(0), 0.0
			for _, m := range c.chart.Older {
				n += m.Jobs
				sum += m.X * float64(m.Jobs)
			}
			for _, x := range c.want[:olderCount] {
				if isNumber(x) {
					n--
					sum -= x
				}
			}
			if n != 0 || math.Abs(sum) > 1e-6 || olderCount > 100 && len(c.chart.Older) < 4 {
				t.Errorf("%s, %s: the %d means of older jobs hold %d jobs and %g too much", g.Name(), c.name, len(c.chart.Older), n, sum)
			}
		}
	}
	if len(f.Carts) != 2 || len(f.Fluids) != 4 {
		t.Fatalf("%d carts, %d fluids", len(f.Carts), len(f.Fluids))
	}
	for i, g := range f.Carts {
		cart := fmt.Sprintf("bay%d", i+1)
		if g.Name() != "hilltop/"+cart {
			t.Errorf("%s is not hilltop/%s", g.Name(), cart)
		}
		check(g, func(j inventedJob) bool { return j.cart == cart })
		if n, slopes := g.Caddy.Limits.N, g.Caddy.values(); n != 4 || math.Abs(slopes[0]) > 1e-6 || math.Abs(slopes[3]-30) > 1e-6 || !g.Supply.IsZero() {
			t.Errorf("%s: calibrations %v", g.Name(), slopes)
		}
	}
	for _, g := range f.Fluids {
		check(g, func(j inventedJob) bool { return j.fluid == g.Fluid })
	}
	if d := [2]Direction{f.Carts[0].Balance.Drift.Direction, f.Carts[1].Balance.Drift.Direction}; d != [2]Direction{NoDrift, Up} {
		t.Errorf("drift of the carts: %q", d)
	}
	outlier := slices.IndexFunc(f.Carts[0].Balance.Points, func(p FleetPoint) bool { return p.Job == "van-901" })
	if p := f.Carts[0].Balance.Points[outlier]; !slices.Contains(p.Rules, OneBeyond3) || !slices.Contains(p.Rules, RangeBeyond) || p.Cart != "hilltop/bay1" || p.AtNs != jobs[900].atNs {
		t.Errorf("the outlier: %+v", p)
	}
	for _, p := range f.Carts[0].Balance.Points {
		i, _ := strconv.Atoi(strings.TrimPrefix(p.Job, "van-"))
		if want := map[int]Level{4: Outside, 5: Unjudged}[(i-1)%20]; i > 0 && p.Level != want && !(want == "" && p.Level == InWindow) || p.NoTarget != ((i-1)%20 == 7) {
			t.Fatalf("%+v", p)
		}
	}

	checkFleetPage(t, f, `&lt;script&gt;`)
	checkFleetJSON(t, f)
	var table bytes.Buffer
	q.Cart = "bay2"
	if err := s.WriteFleetCSV(t.Context(), q, &table); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if want := f.Carts[1].Jobs; int64(len(rows)-1) != want {
		t.Errorf("%d rows, want %d", len(rows)-1, want)
	}
	cell := func(row []string, name string) string { return row[slices.Index(rows[0], name)] }
	last := rows[len(rows)-1]
	if cell(last, "job") != "'=1+1" || cell(last, "cart") != "bay2" || cell(last, "ended") != time.Unix(0, jobs[999].atNs).UTC().Format(time.RFC3339Nano) ||
		cell(last, "added_l") != strconv.FormatFloat(jobs[999].addedL, 'g', -1, 64) || cell(last, "balance_against") != "target" || cell(last, "supply_slope") != "" {
		t.Errorf("%q", last)
	}
}

func checkFleetJSON(t *testing.T, f *Fleet) {
	t.Helper()
	text, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	var read struct {
		Carts, Fluids []struct {
			Shop, Cart, Fluid string
			Closed            int64
			BalanceML         struct {
				N       int
				Mean    *float64
				Drift   Direction
				Signals []struct {
					Job   string
					Rules []Rule
				}
			} `json:"balance_ml"`
		}
	}
	if err := json.Unmarshal(text, &read); err != nil {
		t.Fatal(err)
	}
	for i, c := range read.Carts {
		if b := f.Carts[i].Balance; c.Cart != f.Carts[i].Cart || c.BalanceML.N != b.Limits.N || c.BalanceML.Drift != b.Drift.Direction || len(c.BalanceML.Signals) != len(b.Signals()) || *c.BalanceML.Mean != b.Limits.Mean {
			t.Errorf("%+v", c)
		}
	}
	if len(read.Carts) != len(f.Carts) || len(read.Fluids) != len(f.Fluids) {
		t.Errorf("%d carts, %d fluids", len(read.Carts), len(read.Fluids))
	}
}

// The names of the fields are those that the bridge writes. A fleet without a job, and
// jobs with hardly any figures, are not an error.
func TestFleetOfSummaries(t *testing.T) {
	db := bridgetest.StartInflux(t)
	s := storeOf(t, db)
	q := FleetQuery{SinceNs: fleetEnd.Add(-time.Hour).UnixNano(), UntilNs: fleetEnd.UnixNano()}
	f, err := s.Fleet(t.Context(), q)
	if err != nil || len(f.Carts) != 0 || len(f.Fluids) != 0 {
		t.Fatalf("%v: %+v", err, f)
	}
	checkFleetPage(t, f, "No job ended then.")

	db.Write(fmt.Sprintf("bayfill_job,shop=hilltop,cart=bay0 phase=\"closed\" %d", q.SinceNs))
	if f, err = s.Fleet(t.Context(), q); err != nil || len(f.Carts) != 1 || f.Carts[0].Unjudged != 1 {
		t.Fatalf("%v: %+v", err, f)
	}
	state := fillcalc.State{Seq: 9}
	state.Job.Phase = fillcalc.Closed
	state.Job.Spec = fillcalc.JobSpec{ID: "van-1", TypicalL: 4, Fresh: fillcalc.Fluid{Name: "amber 6"}}
	state.Job.Records = []fillcalc.Record{{Item: fillcalc.LevelAfter, Result: fillcalc.Right, Window: fillcalc.Above}}
	state.Setup.Scales = []fillcalc.ScaleSetup{
		{Load: fillcalc.CaddyLoad, Calibration: &fillcalc.ScaleCalibration{AtNs: 5e9, Slope: 1.0001}},
		{Load: fillcalc.SupplyLoad, Calibration: &fillcalc.ScaleCalibration{AtNs: 6e9, Slope: 0.9998}},
	}
	summary := points.Summary(&state, points.Chain{}, "test", nil)
	fields, err := points.ParseFields(summary.Fields)
	if err != nil {
		t.Fatal(err)
	}
	db.Write(fmt.Sprintf("%s,shop=hilltop,cart=bay1 %s %d", summary.Measurement, summary.Fields, q.SinceNs))
	if f, err = s.Fleet(t.Context(), q); err != nil || len(f.Carts) != 2 {
		t.Fatalf("%v: %+v", err, f)
	}
	c := f.Carts[1]
	if p := c.Balance.Points[0]; c.Outside != 1 || p.Job != "van-1" || p.Level != Outside || math.Abs(c.Caddy.Points[0].X-100) > 1e-6 || math.Abs(c.Supply.Points[0].X+200) > 1e-6 || c.Supply.Points[0].AtNs != 6e9 {
		t.Errorf("%+v of %v", c, slices.Sorted(maps.Keys(fields)))
	}
	checkFleetPage(t, f, "hilltop/bay1")
	if err := s.WriteFleetCSV(t.Context(), q, io.Discard); err != nil {
		t.Error(err)
	}
}
