package audit

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"regexp"
	"runtime"
	"runtime/debug"
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
	atNs               int64
	cart, job, fluid   string
	phase              string
	addedL, drainedL   float64
	targetL, typicalL  float64
	level, levelWindow string
	slope              float64
	calibratedNs       int64
}

func (j inventedJob) line() string {
	text := strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace
	b := fmt.Appendf(nil, `bayfill_job,shop=hilltop,cart=%s fold=1i,job="%s",vehicle="v",phase="%s",fluid="%s",seq=7i,steps=1i,added_l=%.17e,drained_l=%.17e,balance_l=%.17e`,
		j.cart, text(j.job), j.phase, text(j.fluid), j.addedL, j.drainedL, j.addedL-j.drainedL)
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
	return string(fmt.Appendf(b, ",chain=%q %d\n", strings.Repeat("0", 64), j.atNs))
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

// checkFleetPage fails unless the page needs no other file, contains only figures that
// can be drawn, and contains a text.
func checkFleetPage(t *testing.T, f *Fleet, has string) {
	t.Helper()
	var page bytes.Buffer
	if err := f.WriteHTML(&page); err != nil {
		t.Fatal(err)
	}
	if bad := regexp.MustCompile(`(?i)<script|\b(src|href|on[a-z]+)=|://|url\(|@import|NaN|[+-]Inf|ZgotmplZ|%!`).FindString(page.String()); bad != "" {
		t.Errorf("the page holds %q", bad)
	}
	if !strings.Contains(page.String(), has) {
		t.Errorf("the page does not hold %q", has)
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
	summary := points.Summary(&state, points.Chain{})
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

// chartOf returns a chart of values that come a day apart.
func chartOf(x []float64) FleetChart {
	var c FleetChart
	for i, v := range x {
		c.Points = append(c.Points, FleetPoint{AtNs: int64(i) * int64(24*time.Hour), Job: fmt.Sprint(i), X: v, Level: InWindow})
	}
	c.judge()
	return c
}

func TestDrift(t *testing.T) {
	steady := func(n int) (x []float64) {
		for i := range n {
			x = append(x, float64(i%2))
		}
		return x
	}
	nan := math.NaN()
	for _, c := range []struct {
		name      string
		x         []float64
		direction Direction
		words     string
	}{
		{"few", steady(9), "", "too few to tell (9)"},
		{"none", []float64{nan, nan}, "", "too few to tell (0)"},
		{"equal", make([]float64, 40), "", "steady"},
		{"steady", steady(40), "", "steady"},
		{"up", append(steady(40), 4, 4, 4, 4, nan), "up", "up since 1970-02-11, job 41"},
		{"down", append(steady(40), -3, -3, -3, -3), "down", "down since 1970-02-11, job 41"},
		{"was up", append(append(steady(40), 4, 4, 4, 4), steady(40)...), "", "steady now, was up 1970-02-11 to 1970-02-1"},
	} {
		chart := chartOf(c.x)
		if d := chart.Drift; d.Direction != c.direction || !strings.HasPrefix(d.Words, c.words) {
			t.Errorf("%s: %+v", c.name, d)
		}
	}
}

// A steady cart seems to drift, and a point to signal, as rarely as the page says.
func TestSteadyCartsRarelyDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for _, n := range []int{minValues, 30, newestJobs} {
		drifts, signals := 0, 0
		const charts = 2000
		for range charts {
			x := make([]float64, n)
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			c := chartOf(x)
			if c.Drift.Direction != NoDrift {
				drifts++
			}
			signals += len(c.Signals())
		}
		t.Logf("%d values: %.2f %% of charts drift, %.1f %% of points signal", n, 100*float64(drifts)/charts, 100*float64(signals)/float64(charts*n))
		if drifts > charts/250 || signals > charts*n/35 {
			t.Errorf("of %d values each, %d of %d steady charts drift and %d points signal", n, drifts, charts, signals)
		}
	}
}

// Any values give a chart without NaN or infinite figures.
func TestFleetPictures(t *testing.T) {
	alternating := make([]float64, 40)
	for i := range alternating {
		alternating[i] = 1e300 * float64(i%2*2-1)
	}
	for name, x := range map[string][]float64{
		"none": nil, "one": {3}, "two": {3, 4}, "equal": make([]float64, 40), "unknown": {math.NaN(), math.NaN()},
		"huge": {math.MaxFloat64, -math.MaxFloat64}, "large": alternating, "gap": {1, math.NaN(), 2}, "tiny": {5e-324, 0}, "near": {1e15, math.Nextafter(1e15, 2e15)},
	} {
		t.Run(name, func(t *testing.T) {
			g := &FleetGroup{Shop: "hilltop", Cart: "bay1", Balance: chartOf(x), Refill: chartOf(x)}
			g.Balance.Older = []FleetMean{{0, int64(24 * time.Hour), 3, 7}}
			checkFleetPage(t, &Fleet{Carts: []*FleetGroup{g}}, "hilltop/bay1")
			if _, err := json.Marshal(g); err != nil {
				t.Error(err)
			}
		})
	}
}

// WCAG 2.2, success criterion 1.4.6: the contrast of each colour of the page with the
// paper.
func TestFleetContrast(t *testing.T) {
	light := func(colour string) (l float64) {
		n, err := strconv.ParseUint(colour[1:], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		for i, weight := range []float64{0.0722, 0.7152, 0.2126} {
			c := float64(n>>(8*i)&0xff) / 255
			if c <= 0.04045 {
				l += weight * c / 12.92
			} else {
				l += weight * math.Pow((c+0.055)/1.055, 2.4)
			}
		}
		return l
	}
	colours := regexp.MustCompile(`#[0-9a-f]{6}\b`).FindAllString(fleetPage, -1)
	if len(colours) != 3 || colours[2] != "#ffffff" {
		t.Fatalf("colours %v: ink, soft and paper are expected", colours)
	}
	for _, c := range colours[:2] {
		if ratio := 1.05 / (light(c) + 0.05); ratio < 7 {
			t.Errorf("%s on white: %.1f", c, ratio)
		}
	}
}

// BenchmarkFleet charts the jobs of a year on four carts from a real InfluxDB, and writes
// the page and the table. Peak is the largest heap, minus the heap at the start.
func BenchmarkFleet(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(10))
	heap := func() int64 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	for _, jobs := range []int{1250, 2500, 5000} {
		b.Run(fmt.Sprint(jobs), func(b *testing.B) {
			db := bridgetest.StartInflux(b)
			db.Write(linesOf(inventedFleet(jobs, 4, 365*24*time.Hour)))
			s := storeOf(b, db)
			q := FleetQuery{SinceNs: fleetEnd.Add(-366 * 24 * time.Hour).UnixNano(), UntilNs: fleetEnd.UnixNano()}
			runtime.GC()
			before, peak := heap(), int64(0)
			stop, stopped := make(chan struct{}), make(chan struct{})
			go func() {
				defer close(stopped)
				for {
					select {
					case <-stop:
						return
					case <-time.After(2 * time.Millisecond):
						peak = max(peak, heap()-before)
					}
				}
			}()
			charting := time.Duration(0)
			for b.Loop() {
				start := time.Now()
				f, err := s.Fleet(b.Context(), q)
				if err == nil {
					err = f.WriteHTML(io.Discard)
				}
				charting += time.Since(start)
				if err == nil {
					err = s.WriteFleetCSV(b.Context(), q, io.Discard)
				}
				if err != nil {
					b.Fatal(err)
				}
				charted := int64(0)
				for _, c := range f.Carts {
					charted += c.Closed
				}
				if charted != int64(jobs) {
					b.Fatalf("%d jobs of %d", charted, jobs)
				}
			}
			close(stop)
			<-stopped
			b.ReportMetric(charting.Seconds()/float64(b.N), "s/charts")
			b.ReportMetric(float64(peak)/(1<<20), "MiB-peak")
		})
	}
}
