package fillcalc

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
)

// check returns the job's check of a kind; ok is false if there is none.
func (r *rig) check(kind UseCheckKind) (c UseCheck, ok bool) {
	i := slices.IndexFunc(r.s.UseChecks(), func(c UseCheck) bool { return c.Kind == kind })
	if i < 0 {
		return c, false
	}
	return r.s.UseChecks()[i], true
}

// closed closes the job. Changes that still have no answer were bottles.
func (r *rig) closed() {
	r.t.Helper()
	r.clear()
	for _, id := range r.asked() {
		r.answer(id, AsBottle)
	}
	r.settled(Input{Do: DoClose})
}

// bottleJob is a job with bottles of a litre.
func bottleJob() *JobSpec {
	spec := aJob()
	spec.BottleL = 1
	return spec
}

// litreKg is what a scale shows of a litre of the fresh fluid, as its label says at 20 °C.
func litreKg(t testing.TB) float64 {
	t.Helper()
	kgM3, err := freshFluid.Density(20)
	if err != nil {
		t.Fatal(err)
	}
	return kgM3 / 1000 / BuoyancyFactor(kgM3, ConventionalAirKgM3)
}

// dryKg is an empty bottle before anything was in it.
const dryKg = 0.056

// A scale that shows 0.6 % too much shows this of full bottles, whatever becomes of them. The
// uncertainty is that of the label: 1.5 % as a rectangle, of the fluid's share of the weight.
func TestFullBottlesCheckTheSlope(t *testing.T) {
	const gain = 1.006
	full, empty := gain*(litreKg(t)+dryKg), gain*(dryKg+clingsKg)
	for name, c := range map[string]struct {
		dataKg float64
		kg     []float64
		uPct   float64
	}{
		"put back empty":           {0, []float64{-full, empty}, 0.96},
		"three, put back empty":    {0, []float64{-full, empty, -full, empty, -full, empty}, 0.96},
		"six brought, one emptied": {0, []float64{6 * full, -full, empty}, 0.96},
		"thrown away":              {dryKg, []float64{-full, -full, -full}, 0.96},
		"poured in two goes":       {0, []float64{-full, 0.5, -0.5, empty}, 0.96},
	} {
		t.Run(name, func(t *testing.T) {
			spec := bottleJob()
			spec.EmptyBottleKg = c.dataKg
			r := started(t, twoScales(), spec, Filling)
			r.rest(6)
			for _, kg := range c.kg {
				r.onSupply(kg)
			}
			if _, ok := r.check(CheckSlope); ok {
				t.Error("an open job has a check")
			}
			r.closed()
			check, ok := r.check(CheckSlope)
			if !ok || check.Sensor != "supply" || check.Fluid != "fresh" {
				t.Fatalf("%+v of %+v", r.s.UseChecks(), r.s.Job.Changes)
			}
			near(t, "slope, %", 100*check.Value, 0.6, 0.35) // a display step of 5 g
			near(t, "u, %", 100*check.U, c.uPct, 0.15)
		})
	}
}

// What is no full bottle checks nothing.
func TestWhatChecksNoSlope(t *testing.T) {
	full := litreKg(t) + dryKg
	const empty = dryKg + clingsKg
	for name, play := range map[string]func(r *rig){
		"thrown away, and nobody knows what an empty one weighs": func(r *rig) { r.onSupply(-full); r.onSupply(-full) },
		"half a bottle":                        func(r *rig) { r.onSupply(-0.5); r.onSupply(empty) },
		"a tool of that weight on the caddy's": func(r *rig) { r.onCaddy(full); r.onCaddy(-full); r.onSupply(-0.5); r.onSupply(empty) },
		"eight at once":                        func(r *rig) { r.onSupply(8 * full); r.onSupply(-0.5); r.onSupply(empty) },
	} {
		t.Run(name, func(t *testing.T) {
			r := started(t, twoScales(), bottleJob(), Filling)
			r.rest(6)
			play(r)
			r.closed()
			if check, ok := r.check(CheckSlope); ok {
				t.Errorf("%+v of %+v", check, r.s.Job.Changes)
			}
		})
	}
}

// The reference temperature of a shop is no business of the labels, which hold at 20 °C.
func TestLabelsHoldAtTheirTemperature(t *testing.T) {
	for _, referenceC := range []float64{15, 20, 40} {
		setup := twoScales()
		setup.ReferenceC = referenceC
		r := started(t, setup, bottleJob(), Filling)
		r.rest(6)
		for range 3 {
			r.onSupply(-litreKg(t) - dryKg)
			r.onSupply(dryKg + clingsKg)
		}
		r.closed()
		check, ok := r.check(CheckSlope)
		if !ok {
			t.Fatalf("%g °C: none of %+v", referenceC, r.s.Job.Changes)
		}
		near(t, "slope, %", 100*check.Value, 0, 0.35)
	}
}

// A caddy of 2 kg that was tipped out comes back 50 g too heavy, of which 20 g are the usual
// film.
func TestEmptiedCaddyChecksTheZero(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(30, steady(0.05), nil, nil)
	r.rest(6)
	for range 2 {
		r.onCaddy(-r.caddyKg)
		if _, ok := r.check(CheckZero); ok {
			t.Error("an open job has a check")
		}
		r.onCaddy(2.05)
		r.scene(10, steady(0.05), nil, nil)
		r.rest(6)
	}
	r.closed()
	check, ok := r.check(CheckZero)
	if !ok || check.Sensor != "caddy" || check.Fluid != "" {
		t.Fatalf("%+v of %+v", r.s.UseChecks(), r.s.Job.Changes)
	}
	near(t, "zero, kg", check.Value, 0.03, 0.004)
	near(t, "u, kg", check.U, 0.012, 0.001)
	if n := len(r.s.UseChecks()); n != 1 || r.s.Uses[0].N != 1 {
		t.Errorf("emptied twice: %+v, charts %+v", r.s.UseChecks(), r.s.Uses)
	}
}

// levelJob plays a job in which 3 kg came out and pouredKg went in, and what people say
// about the level and what missed the caddy.
func levelJob(t *testing.T, setup *Setup, pouredKg, spilledL float64, before, after Result, celsius float64) *rig {
	r := started(t, setup, aJob(), Ready)
	if before != "" {
		r.report(Record{Item: LevelBefore, Result: before})
	}
	r.phase(Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(6)
	if spilledL > 0 {
		r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterSpilled, L: spilledL, UL: 0.02}})
	}
	r.phase(Filling)
	r.scene(60, nil, steady(pouredKg/60), nil)
	r.rest(6)
	r.phase(Running)
	r.warm(celsius)
	r.phase(Checking)
	r.report(Record{Item: LevelAfter, Result: after, Why: "a test"})
	r.closed()
	return r
}

// With the level right before and after, what goes in is what came out and what was spilled.
// Otherwise the balance says nothing about the scales.
func TestRightLevelChecksTheBalance(t *testing.T) {
	kg := func(litres float64) float64 { return litres * litreKg(t) }
	drainedL := levelJob(t, twoScales(), 3, 0, Right, Right, 40).s.Volumes().DrainedL
	for name, c := range map[string]struct {
		pouredKg, spilledL float64
		wantPct            float64
	}{
		"as much":          {kg(drainedL), 0, 0},
		"two percent more": {kg(1.02 * drainedL), 0, 2},
		"what was spilled": {kg(drainedL + 0.2), 0.2, 0},
		"one percent less": {kg(0.99 * drainedL), 0, -1},
	} {
		r := levelJob(t, twoScales(), c.pouredKg, c.spilledL, Right, Right, 40)
		check, ok := r.check(CheckBalance)
		if !ok || check.Sensor != "" || check.Fluid != "fresh" {
			t.Fatalf("%s: %+v, %+v", name, r.s.UseChecks(), r.s.Job.Records)
		}
		near(t, name+", %", 100*check.Value, c.wantPct, 0.25)
		if u := check.U * drainedL; !(u > math.Sqrt2*levelUL && u < 0.1) {
			t.Errorf("%s: u of %g L", name, u)
		}
	}
	for name, r := range map[string]*rig{
		"low before":        levelJob(t, twoScales(), 3, 0, Low, Right, 40),
		"not known before":  levelJob(t, twoScales(), 3, 0, "", Right, 40),
		"low in the end":    levelJob(t, twoScales(), 3, 0, Right, Low, 40),
		"judged too cold":   levelJob(t, twoScales(), 3, 0, Right, Right, 25),
		"both on one scale": levelJob(t, oneScale(), 3, 0, Right, Right, 40),
	} {
		if check, ok := r.check(CheckBalance); ok {
			t.Errorf("%s: %+v", name, check)
		}
	}
}

// walk feeds a chart with the values of jobs that scatter by 0.3 % about 0.2 %, and by a shift
// more after some of them. It returns the job at which the chart first says that the slope
// has moved; 0: at none.
func walk(c *UseChart, rng *rand.Rand, jobs, shiftAfter int, shift float64) int {
	for n := 1; n <= jobs; n++ {
		value := 0.002 + float64(0.003*rng.NormFloat64())
		if n > shiftAfter {
			value += shift
		}
		if c.add(value); c.moved() != 0 {
			return n
		}
	}
	return 0
}

// The chart stays quiet over 50 jobs with their usual scatter, and says that a scale has
// moved soon after its slope did, by 0.4 % at a scatter of 0.3 %. Over many charts, 3 % of
// the quiet ones are wrong, and of the others half say so within 11 jobs and 83 % within 20.
func TestUseChart(t *testing.T) {
	const charts, before, within = 4000, 40, 20
	rng := rand.New(rand.NewPCG(5, 5))
	if n := walk(&UseChart{Kind: CheckSlope}, rng, 50, 50, 0); n > 0 {
		t.Errorf("a quiet chart says at job %d that the slope has moved", n)
	}
	wrong := 0
	for range charts {
		if walk(&UseChart{Kind: CheckSlope}, rng, 50, 50, 0) > 0 {
			wrong++
		}
	}
	var took []int
	for range charts {
		for _, shift := range []float64{0.004, -0.004} {
			switch n := walk(&UseChart{Kind: CheckSlope}, rng, before+4*within, before, shift); {
			case n == 0:
				took = append(took, math.MaxInt)
			case n > before:
				took = append(took, n-before)
			}
		}
	}
	slices.Sort(took)
	soon, _ := slices.BinarySearch(took, within+1)
	t.Logf("of quiet charts %.1f %% say that it has moved; after a shift half within %d jobs, %.0f %% within %d",
		100*float64(wrong)/charts, took[len(took)/2], 100*float64(soon)/float64(len(took)), within)
	if wrong > charts*35/1000 || took[len(took)/2] > 13 || soon < len(took)*80/100 {
		t.Errorf("%d of %d quiet charts are wrong; after a shift half need %d jobs, %d of %d at most %d", wrong, charts, took[len(took)/2], soon, len(took), within)
	}
}

// Values that are equal to the last bit, a movement that does not matter, and first jobs
// that scatter widely give no signal.
func TestUseChartOfOddValues(t *testing.T) {
	for name, value := range map[string]func(n int) float64{
		"equal":          func(int) float64 { return 0.1 },
		"hardly moved":   func(n int) float64 { return 0.0009 * float64(n/30) },
		"first ones odd": func(n int) float64 { return 0.02 * float64(n%2) },
	} {
		c := UseChart{Kind: CheckSlope}
		for n := range 55 {
			if c.add(value(n)); c.moved() != 0 {
				t.Fatalf("%s: moved by %g at job %d", name, c.moved(), n+1)
			}
		}
	}
}

// bottlesPoured plays a job on a cart that has had others: three bottles from the supply's
// scale, which shows gain times what is there.
func (r *rig) bottlesPoured(gain float64, setup *Setup, spec *JobSpec) {
	r.t.Helper()
	fill := 1 + 0.003*r.rng.NormFloat64() // of this job's bottles
	r.rest(4)
	r.do(Input{Do: DoOpen, Job: spec, Setup: setup})
	r.rest(4)
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.rest(1)
	r.phase(Filling)
	for range 3 {
		r.onSupply(-gain * (0.8413*fill + dryKg))
		r.onSupply(gain * (dryKg + clingsKg))
	}
	r.closed()
}

// moved lists the alerts that the charts give. They need no open job.
func (r *rig) moved() (list []Alert) {
	for _, a := range r.s.Alerts() {
		if a.Code == AlertMoved {
			list = append(list, a)
		}
	}
	return list
}

// A scale whose slope moves after 30 jobs gets an alert that names it, its fluid and the
// figures. It lasts until the scale is calibrated, and survives a restart.
func TestMovedScaleIsNamed(t *testing.T) {
	r := newRig(t, twoScales(), 10, 0.001)
	for range 30 {
		r.supplyKg = 9.1
		r.bottlesPoured(1, nil, bottleJob())
	}
	if list := r.moved(); len(list) > 0 || len(r.s.Uses) != 1 || r.s.Uses[0].N != 30 {
		t.Fatalf("before: %+v of %+v", list, r.s.Uses)
	}
	jobs := 0
	for ; jobs < 40 && len(r.moved()) == 0; jobs++ {
		r.supplyKg = 9.1
		r.bottlesPoured(1.004, nil, bottleJob())
	}
	t.Logf("the alert comes %d jobs after the slope moved by 0.4 %%", jobs)
	list := r.moved()
	if len(list) != 1 || jobs > 20 {
		t.Fatalf("after %d jobs: %+v, %+v", jobs, list, r.s.Uses)
	}
	a, pct := list[0], 100*(r.s.Uses[0].Z-r.s.Uses[0].Mean)
	near(t, "moved, %", pct, 0.4, 0.25)
	if want := map[string]string{"sensor": "supply", "fluid": "fresh", "more": "more"}; a.Key != "alert.moved_slope" || !reflect.DeepEqual(a.Names, want) {
		t.Errorf("%q, want %v", plain(a.Text), want)
	}
	if want := map[string]float64{"moved_pct": pct, "jobs": float64(30 + jobs)}; a.Sensor != "supply" || a.Kind() != "moved:supply" || !reflect.DeepEqual(a.Figures, want) {
		t.Errorf("%+v, want %v", a, want)
	}

	if again := readBack(t, &r.s); !reflect.DeepEqual(again.Uses, r.s.Uses) || !reflect.DeepEqual(again.Alerts(), r.s.Alerts()) {
		t.Errorf("%+v is read back as %+v", r.s.Uses, again.Uses)
	}

	// The next job opens with the new calibration: the old chart no longer holds, and the
	// scale's next jobs begin another one.
	setup := twoScales()
	setup.Scales[1].Calibration = &ScaleCalibration{AtNs: r.atNs, DueNs: math.MaxInt64, Slope: 1 / 1.004, SlopeU: 0.0002, LightestKg: 1, Passed: true}
	r.do(Input{Do: DoStart, Setup: setup})
	if list := r.moved(); len(list) > 0 {
		t.Errorf("calibrated: %+v", list)
	}
	r.supplyKg = 9.1
	r.bottlesPoured(1.004, nil, bottleJob())
	if len(r.s.Uses) != 1 || r.s.Uses[0].N != 1 || r.s.Uses[0].CalibratedNs != setup.Scales[1].Calibration.AtNs {
		t.Errorf("charts after the calibration: %+v", r.s.Uses)
	}
}

// readBack returns a state as it is after it was saved.
func readBack(t *testing.T, s *State) (again State) {
	t.Helper()
	text, err := json.Marshal(s)
	if err == nil {
		err = json.Unmarshal(text, &again)
	}
	if err != nil {
		t.Fatal(err)
	}
	return again
}

// Each fluid has a chart of its own: bottles of another one that are filled differently move
// no scale. Of many fluids the latest are kept.
func TestFluidsHaveChartsOfTheirOwn(t *testing.T) {
	s := State{ScaleN: 1}
	s.Scales[0].Setup = ScaleSetup{Sensor: "supply", Load: SupplyLoad}
	job := func(fluid string, kgM3, kg float64) {
		s.Job = Job{Phase: Closed, Spec: JobSpec{BottleL: 1, Fresh: Fluid{Name: fluid, Model: Oil1980, DensityKgM3: kgM3, AtC: 20}}, FreshKgM3: kgM3, FreshFactor: 1, EmptyKg: 0.065, EmptyUKg: 0.002}
		s.Job.Changes = []Change{{ID: 1, Sensor: "supply", Cause: Sudden, Kg: -kg, As: AsBottle}}
		s.chart()
	}
	for n := range 60 {
		fluid := []string{"amber 4", "amber 6"}[n/30]
		job(fluid, 850, []float64{0.906, 0.916}[n/30]+0.003*float64(n%2))
	}
	if len(s.Uses) != 2 || s.Uses[0].N != 30 || s.Uses[1].N != 30 || len(s.Alerts()) > 0 {
		t.Errorf("%+v: %+v", s.Uses, s.Alerts())
	}
	job("amber 6", 848, 0.910) // another data sheet
	if c := s.Uses[1]; c.N != 1 || c.Against != 848 {
		t.Errorf("%+v", c)
	}
	before := slices.Clone(s.Uses)
	was := s
	for n := range 3 * maxUseCharts {
		job(fmt.Sprintf("fluid %d", n), 850, 0.906)
	}
	if last := s.Uses[len(s.Uses)-1]; len(s.Uses) != maxUseCharts || last.Fluid != fmt.Sprintf("fluid %d", 3*maxUseCharts-1) || !slices.Equal(was.Uses, before) {
		t.Errorf("%d charts, the last %+v; the old state has %+v", len(s.Uses), last, was.Uses)
	}
}

// Each kind of chart has its words and figures. Of the charts of one scale one is said.
func TestWordsOfTheCharts(t *testing.T) {
	chart := func(kind UseCheckKind, sensor, fluid string, moved float64) UseChart {
		return UseChart{Kind: kind, Sensor: sensor, Fluid: fluid, Against: 2, N: 50, M2: 1e-12, Z: moved}
	}
	var s State
	s.start(twoScales())
	s.Uses = []UseChart{
		chart(CheckSlope, "supply", "amber 4", 0.01), chart(CheckSlope, "supply", "amber 6", -0.0042), chart(CheckZero, "caddy", "", 0.031),
		chart(CheckBalance, "", "", 0.02), chart(CheckSlope, "sold", "amber 4", 0.01),
	}
	want := map[string]string{
		"moved":        "alert.moved_pair jobs=50.00 moved_pct=2.00 fluid= more=more sensor=",
		"moved:caddy":  "alert.moved_zero jobs=50.00 moved_kg=0.03 fluid= more=more sensor=caddy",
		"moved:supply": "alert.moved_slope jobs=50.00 moved_pct=0.42 fluid=amber 6 more=less sensor=supply",
	}
	got := map[string]string{}
	for _, a := range s.Alerts() {
		got[a.Kind()] = plain(a.Text)
	}
	if len(s.Alerts()) != 3 || !reflect.DeepEqual(got, want) {
		t.Errorf("%q", got)
	}
	s.Setup.Caddy.EmptyKg = 2.03 // weighed anew
	if len(s.Alerts()) != 2 {
		t.Errorf("%+v", s.Alerts())
	}
}
