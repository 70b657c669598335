package audit

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"html"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
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
	"bayfill/bridge/words"
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

// checkFleetPage fails unless the page needs no other file, contains only figures that
// can be drawn, and contains a text.
func checkFleetPage(t *testing.T, f *Fleet, has string) {
	t.Helper()
	var page bytes.Buffer
	if err := f.WriteHTML(&page, words.Plain); err != nil {
		t.Fatal(err)
	}
	if bad := regexp.MustCompile(`(?i)<script|\b(src|href|on[a-z]+)=|://|url\(|@import|NaN|[+-]Inf|ZgotmplZ|%!`).FindString(page.String()); bad != "" {
		t.Errorf("the page holds %q", bad)
	}
	if !strings.Contains(page.String(), has) {
		t.Errorf("the page does not hold %q", has)
	}
	var spanish bytes.Buffer
	if err := f.WriteHTML(&spanish, usSpanish); err != nil {
		t.Fatal(err)
	}
	noEnglish(t, spanish.String())
	if shots := os.Getenv("BAYFILL_SCREENSHOTS"); shots != "" {
		for language, text := range map[string][]byte{"en": page.Bytes(), "es": spanish.Bytes()} {
			if err := os.WriteFile(filepath.Join(shots, fmt.Sprintf("fleet-%d-%s.html", len(f.Carts), language)), text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// noEnglish fails when a page in Spanish holds a text of the English catalogues. Short texts
// may be the same by chance.
func noEnglish(t *testing.T, page string) {
	t.Helper()
	spanish := words.Sentences(words.Spanish)
	for key, text := range words.Sentences(words.English) {
		if len(text) > 12 && !strings.Contains(text, "{") && text != spanish[key] && strings.Contains(page, html.EscapeString(text)) {
			t.Errorf("the page says %q, which is %s in English", text, key)
		}
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

// checkedFleet returns 120 jobs of each of four carts, two a day, with full bottles that
// scatter by 0.3 % and an emptied caddy in every second job. From the 81st on, bottles of
// bay1 weigh 0.6 % more and its caddy 60 g, and those of bay2 are another fluid's; the
// scales of bay3 were calibrated then, after they had moved.
func checkedFleet() (list []inventedJob) {
	rng := rand.New(rand.NewPCG(3, 3))
	for i := range 480 {
		n, j := i/4, inventedJob{cart: fmt.Sprintf("bay%d", i%4+1), job: fmt.Sprintf("van-%d", i/4+1), phase: "closed", addedL: 4, drainedL: 4}
		j.atNs = fleetEnd.Add(-time.Duration(121-n)*12*time.Hour + time.Duration(i%4)).UnixNano()
		j.fluid, j.slope, j.calibratedNs = []string{"amber 4", "amber 6"}[n%2], 1, 5e9
		slope, zero := []float64{0.001, 0.006}[n%2]+0.003*rng.NormFloat64(), 0.005*rng.NormFloat64()
		switch {
		case n < 80 && j.cart == "bay3":
			slope += 0.01
		case n < 80:
		case j.cart == "bay1":
			slope, zero = slope+0.006, zero+0.06
		case j.cart == "bay2":
			slope, j.fluid = slope+0.006, "amber 8"
		case j.cart == "bay3":
			j.calibratedNs = 6e9
		}
		j.checks = fmt.Sprintf(`,check_slope=%.17e,check_slope_u=2e-02,check_slope_sensor="pump"`, slope)
		if n%2 == 0 {
			j.checks += fmt.Sprintf(`,check_zero_kg=%.17e,check_zero_u_kg=3e-02,check_zero_sensor="pan"`, zero)
		}
		list = append(list, j)
	}
	list[40].phase = "abandoned"
	return list
}

// The fleet says in a plain sentence which scale has moved, by how much and since when, by
// what the jobs themselves say. Another fluid is no moved scale, and a calibration begins
// anew.
func TestFleetSaysWhichScaleMoved(t *testing.T) {
	jobs := checkedFleet()
	db := bridgetest.StartInflux(t)
	db.Write(linesOf(jobs))
	s := storeOf(t, db)
	q := FleetQuery{SinceNs: jobs[0].atNs, UntilNs: fleetEnd.UnixNano()}
	f, err := s.Fleet(t.Context(), q)
	if err != nil || len(f.Carts) != 4 {
		t.Fatalf("%v: %+v", err, f)
	}
	sameAsJournals(t, f, jobs, q)
	for i, want := range [][]string{
		{`^full bottles: scale pump has moved by \+0\.[4567]\d % since 2026-10-1\d, job van-(8[1-9]|9\d): calibrate it$`,
			`^emptied caddy: (5[5-9]|6[0-5]) g heavier on scale pan since 2026-10-1\d, job van-8\d: clean both, then weigh the caddy anew \(empty_kg\)$`},
		nil, nil, nil,
	} {
		g := f.Carts[i]
		if !slices.EqualFunc(g.Drifts(words.Plain), want, func(got, want string) bool { return regexp.MustCompile(want).MatchString(got) }) {
			t.Errorf("%s: %q, want %q", g.Name(), g.Drifts(words.Plain), want)
		}
	}
	for i, want := range [][2]int{{119, 59}, {120, 60}, {40, 20}, {120, 60}} {
		if g := f.Carts[i]; g.Bottles.Limits.N != want[0] || g.Zero.Limits.N != want[1] {
			t.Errorf("%s: %d and %d values, want %d", g.Name(), g.Bottles.Limits.N, g.Zero.Limits.N, want)
		}
	}
	p, j := f.Carts[3].Bottles.Points[7], jobs[4*7+3]
	if p.Job != j.job || p.AtNs != j.atNs || p.Sensor != "pump" || p.Fluid != "amber 6" || p.CalibratedNs != 5e9 {
		t.Errorf("%+v of %+v", p, j)
	}
	for _, g := range f.Fluids {
		if !g.Bottles.IsZero() || !g.Zero.IsZero() || slices.ContainsFunc(g.Drifts(words.Plain), func(words string) bool { return strings.Contains(words, "scale") }) {
			t.Errorf("%s: %+v", g.Name(), g.Drifts(words.Plain))
		}
	}
	checkFleetPage(t, f, "full bottles: scale pump has moved by")
	checkFleetPage(t, f, "Full bottles since the last calibration: weight less label, fluids levelled, %")
	checkFleetPage(t, f, "Emptied caddy since the last calibration: weight less its own, g")
	checkFleetJSON(t, f)
	text, err := json.Marshal(f.Carts[0])
	if err != nil || !bytes.Contains(text, []byte(`"bottles_pct":{"drift":"up","drift_words":"scale pump has moved by`)) || !bytes.Contains(text, []byte(`"caddy_zero_g":{"drift":"up"`)) {
		t.Errorf("%v: %s", err, text)
	}
	var table bytes.Buffer
	if err := s.WriteFleetCSV(t.Context(), FleetQuery{SinceNs: jobs[0].atNs, UntilNs: fleetEnd.UnixNano(), Cart: "bay4"}, &table); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil || len(rows) != 121 {
		t.Fatalf("%v: %d rows", err, len(rows))
	}
	cell := func(row int, name string) string { return rows[row][slices.Index(rows[0], name)] }
	if x, _ := strconv.ParseFloat(cell(8, "check_slope"), 64); !strings.Contains(j.checks, fmt.Sprintf("=%.17e", x)) || cell(8, "check_slope_u") != "0.02" || cell(8, "check_zero_kg") != "" || cell(7, "check_zero_sensor") != "pan" {
		t.Errorf("%q", rows[8])
	}
}

// Of bottles that scatter by 0.3 %, the charts of scales that did not move seem to have
// moved as rarely as the page says (0.5 %), and 84 % of those of scales that moved by 0.4 %
// 40 jobs ago say so.
func TestSteadyScalesAreLeftAlone(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	const charts = 2000
	said := func(shift float64) (n int) {
		for range charts {
			var c FleetChart
			for job := range 120 {
				x := 0.3 * rng.NormFloat64()
				if job >= 80 {
					x += shift
				}
				fluid := rng.IntN(2)
				c.addCheck(FleetPoint{AtNs: int64(job), X: x + 0.5*float64(fluid), Sensor: "pump", Fluid: fmt.Sprint(fluid)})
			}
			c.levelFluids()
			c.judge()
			if c.say(0.1, bottlesMoved); strings.Contains(c.Drift.Words(), "calibrate") {
				n++
			}
		}
		return n
	}
	steady, moved := said(0), said(0.4)
	t.Logf("of the charts of steady scales %.1f %% say that they have moved, of the others %.0f %%", 100*float64(steady)/charts, 100*float64(moved)/charts)
	if steady > charts/100 || moved < charts*8/10 {
		t.Errorf("of %d charts each %d of steady scales say that they have moved, and %d of the others", charts, steady, moved)
	}
}

// A drift that is too little to matter asks for nothing, and neither does one of which no
// fluid tells the size.
func TestLittleDriftAsksForNothing(t *testing.T) {
	for name, of := range map[string]func(n int) FleetPoint{
		"little": func(n int) FleetPoint { return FleetPoint{X: 0.0001*float64(n%2) + 0.05*float64(n/30)} },
		"other fluids": func(n int) FleetPoint {
			return FleetPoint{X: 0.001*float64(n%2) + float64(n/30), Fluid: fmt.Sprint(n / 30)}
		},
	} {
		var c FleetChart
		for n := range 60 {
			p := of(n)
			p.AtNs, p.Sensor = int64(n), "pump"
			c.addCheck(p)
		}
		c.judge()
		if c.say(0.1, bottlesMoved); c.Drift.Direction != Up || !strings.HasPrefix(c.Drift.Words(), "up since 1970-01-01") {
			t.Errorf("%s: %+v", name, c.Drift)
		}
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
		if d := chart.Drift; d.Direction != c.direction || !strings.HasPrefix(d.Words(), c.words) {
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
			for i, v := range x {
				g.Bottles.addCheck(FleetPoint{AtNs: int64(i), X: v, Sensor: "pump"})
				g.Zero.addCheck(FleetPoint{AtNs: int64(i), X: v, Sensor: "pan"})
			}
			g.Bottles.levelFluids()
			g.Bottles.judge()
			g.Bottles.say(0.1, bottlesMoved)
			g.Zero.judge()
			g.Zero.say(20, zeroMoved)
			g.Balance.Older = []FleetMean{{0, int64(24 * time.Hour), 3, 7}}
			checkFleetPage(t, &Fleet{Carts: []*FleetGroup{g}}, "hilltop/bay1")
			if _, err := json.Marshal(g); err != nil {
				t.Error(err)
			}
		})
	}
}

// The report of a large fleet begins with the carts that drift, however many there are, and
// counts the others.
func TestFleetBeginsShort(t *testing.T) {
	f := &Fleet{}
	for i := range 60 {
		x := make([]float64, 40)
		for k := range x {
			x[k] = float64(k%2 + i%7)
			if i%2 == 1 && k >= 20 {
				x[k] += 500
			}
		}
		f.Carts = append(f.Carts, &FleetGroup{Shop: "hilltop", Cart: fmt.Sprintf("bay%02d", i), Balance: chartOf(x)})
	}
	short := f.Short()
	for _, g := range short.Carts {
		if len(g.Drifts(words.Plain)) == 0 {
			t.Errorf("%s comes first and does not drift", g.Name())
		}
	}
	if len(short.Carts) != maxOverviewRows || short.Others != 60-maxOverviewRows || short.Drifting != 30-maxOverviewRows {
		t.Errorf("%d carts, %d others, %d of them drift", len(short.Carts), short.Others, short.Drifting)
	}
	var b strings.Builder
	if err := f.WriteHTML(&b, words.Plain); err != nil {
		t.Fatal(err)
	}
	if bullets := strings.Count(b.String(), "\n<li>"); bullets != maxOverviewRows+1 || !strings.Contains(b.String(), "36 others are in the table below; 6 of them drift.") {
		t.Errorf("%d sentences begin the report", bullets)
	}
	f.Carts = f.Carts[:maxOverviewRows]
	if short = f.Short(); short.Carts[0] != f.Carts[0] || short.Others != 0 {
		t.Errorf("a small fleet is not shown in order: %+v", short)
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
					err = f.WriteHTML(io.Discard, words.Plain)
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

var (
	fleetJobs  = flag.Int("fleet-jobs", 400, "how many jobs TestFleetOfAChain charts")
	fleetShops = flag.Int("fleet-shops", 10, "how many shops they are of, with five carts each")
)

// The jobs of a chain are counted by shop and over all, and what is kept in memory is
// bounded, however many they are.
func TestFleetOfAChain(t *testing.T) {
	db := bridgetest.StartInflux(t)
	jobs := inventedFleet(*fleetJobs, 5**fleetShops, inventedTime)
	for i := range jobs {
		jobs[i].shop, jobs[i].cart = fmt.Sprintf("shop%03d", i%*fleetShops), fmt.Sprintf("bay%d", i / *fleetShops % 5 + 1)
	}
	for part := range slices.Chunk(jobs, 3000) {
		db.Write(linesOf(part))
	}
	n := len(jobs)
	jobs = nil
	s := storeOf(t, db)
	q := FleetQuery{SinceNs: fleetEnd.Add(-91 * 24 * time.Hour).UnixNano(), UntilNs: fleetEnd.UnixNano()}
	runtime.GC()
	before, began := heapBytes(), time.Now()
	f, err := s.Fleet(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	took := time.Since(began)
	runtime.GC()
	kept := 0
	for _, g := range slices.Concat(f.Carts, f.Shops) {
		kept += len(g.Balance.Points)
	}
	t.Logf("%d jobs in %v: %d points charted, %.1f MB kept", n, took, kept, float64(heapBytes()-before)/1e6)
	if len(f.Shops) != *fleetShops || len(f.Carts) != 5**fleetShops || f.All.Jobs != int64(n) || f.Newest != newestOf(5**fleetShops) || kept > 2*maxPoints+newestJobs**fleetShops {
		t.Errorf("%d shops, %d carts, %d jobs, %d newest, %d points", len(f.Shops), len(f.Carts), f.All.Jobs, f.Newest, kept)
	}
	sum := int64(0)
	for _, g := range f.Shops {
		if sum += g.Closed; !slices.IsSortedFunc(g.Balance.Points, func(a, b FleetPoint) int { return cmp.Compare(a.AtNs, b.AtNs) }) {
			t.Errorf("%s is not in order", g.Shop)
		}
	}
	if sum != f.All.Closed || f.All.Name() != "" {
		t.Errorf("%d closed jobs in shops, %d in all", sum, f.All.Closed)
	}
}

func heapBytes() int64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
