package fillcalc

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Invented fluids with round densities, so that the figures below can be worked
// by hand: at 80 °C both are 800 kg/m³.
var (
	roundUsed = Fluid{Name: "round used", Model: DensityPoints, DensityU: 0.002,
		Points: []DensityPoint{{20, 860}, {80, 800}}}
	roundFresh = Fluid{Name: "round fresh", Model: DensityPoints, DensityU: 0.001,
		Points: []DensityPoint{{20, 840}, {80, 800}}}
)

func roundPlan() PlanInput {
	return PlanInput{
		Used: roundUsed, Fresh: roundFresh, ReferenceC: 20, CheckC: 80, CheckUC: 2,
		DrainedKg: 3.2, DrainedUKg: 0.008, SpilledKg: 0.04, RetainedKg: 0.36,
		LevelCorrectionL: 0.5, LevelCorrectionUL: 0.03,
		AddedKg: 3.36, AddedUKg: 0.0042, OverflowKg: 0.084,
		FirstFill: 0.8, BottleL: 1,
	}
}

func mustPlan(t rapid.TB, in PlanInput) Plan {
	t.Helper()
	p, err := in.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func kinds(p Plan) (list []string) {
	for _, n := range p.Notes {
		list = append(list, n.Key)
	}
	return list
}

// Worked by hand:
//
//	out          3.2 + 0.04 + 0.36 = 3.6 kg, 3.6/0.800 = 4.5 L at 80 °C
//	to replace   4.5 + 0.5 = 5.0 L at 80 °C = 4.0 kg of fresh = 4.0/0.840 = 4.76190 L at 20 °C
//	first fill   0.8 · 4.76190 = 3.80952 L
//	in           (3.36 − 0.084)/0.840 = 4.0 − 0.1 = 3.9 L
//
// and the target's uncertainty, in litres at 20 °C (one at 80 °C is 0.8/0.84 there):
//
//	drained      0.008/0.8 · 0.95238                   = 0.009524
//	correction   0.03 · 0.95238                        = 0.028571
//	used density 4.5 · 0.95238 · 0.002                 = 0.008571
//	2 °C         2 · 0.95238 · (4.5·(1/800 − 0.6667/800) − 0.5·0.6667/800) = 0.002778
//	together     √(90.70 + 816.33 + 73.47 + 7.72)·10⁻³ = 0.031436
func TestPlanByHand(t *testing.T) {
	in := roundPlan()
	p := mustPlan(t, in)
	near(t, "target", p.TargetL, 4.761905, 1e-6)
	near(t, "u(target)", p.TargetUL, 0.031436, 1e-6)
	near(t, "first fill", p.FirstFillL, 3.809524, 1e-6)
	near(t, "remaining before the engine has run", p.RemainingL, 3.809524-3.9, 1e-6)
	if got := kinds(p); !slices.Equal(got, []string{NotePastFirstFill}) {
		t.Errorf("notes %v: want the one that the first fill is passed", got)
	}

	in.EngineHasRun = true
	p = mustPlan(t, in)
	near(t, "remaining", p.RemainingL, 4.761905-3.9, 1e-6)
	near(t, "its mass", p.RemainingMassKg, 4.0-3.276, 1e-9)
	// Added and fresh density come to it: 0.0042/0.84 = 0.005 and 3.9 · 0.001.
	near(t, "u(remaining)", p.RemainingUL, math.Sqrt(988.216e-6+25e-6+15.21e-6), 1e-6)

	// One scale for both: its slope acts on 3.2 kg · 1.190476 L/kg − 4.0 L only.
	in.SharedGainU = 0.01
	near(t, "u(remaining) on one scale", mustPlan(t, in).RemainingUL,
		math.Sqrt(988.216e-6+25e-6+15.21e-6+math.Pow(0.01*(3.2*1.190476-4), 2)), 1e-6)
}

// Table 54D densities of testdata/fluids, computed independently from the published
// formula.
func TestPlanOnPublishedDensities(t *testing.T) {
	published := map[[2]float64]float64{}
	for _, row := range table(t, "fluids/vcf_lubricating_oil_grid.csv") {
		published[[2]float64{row["rho15_kgm3"], row["temp_c"]}] = row["density_1980_kgm3"]
	}
	for _, checkC := range []float64{25, 40, 60, 80, 100} {
		in := PlanInput{
			Used:       Fluid{Name: "used", Model: Oil1980, DensityKgM3: 870, AtC: 15},
			Fresh:      Fluid{Name: "fresh", Model: Oil1980, DensityKgM3: 840, AtC: 15},
			ReferenceC: 20, CheckC: checkC, DrainedKg: 4, LevelCorrectionL: -0.3, FirstFill: 0.8,
		}
		used, fresh, ref := published[[2]float64{870, checkC}], published[[2]float64{840, checkC}], published[[2]float64{840, 20}]
		near(t, "target", mustPlan(t, in).TargetL, (4/used*1000-0.3)*fresh/ref, 1e-8)

		// Ten litres at 40 °C, judged at checkC.
		mL, share, err := LevelShift(in.Fresh, 10, 0.4, checkC, 40)
		if err != nil {
			t.Fatal(err)
		}
		want := 10e3 * (published[[2]float64{840, 40}]/fresh - 1)
		near(t, "level shift", mL, want, 1e-5)
		near(t, "share of the marks", share, want/400, 1e-8)
	}
}

// drawPlan draws a job with fluids whose density is a straight line, so that a
// difference quotient over temperature is exact.
func drawPlan(t *rapid.T) PlanInput {
	number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	fluid := func(name string) Fluid {
		return Fluid{Name: name, Model: DensityPoints, DensityU: number("density u", 0, 0.003),
			Points: []DensityPoint{{0, number("cold", 850, 890)}, {120, number("hot", 760, 820)}}}
	}
	in := PlanInput{
		Used: fluid("used"), Fresh: fluid("fresh"), ReferenceC: 20, CheckC: number("check", 30, 110), CheckUC: number("check u", 0, 3),
		DrainedKg: number("drained", 0.5, 8), DrainedUKg: number("drained u", 0, 0.02),
		SpilledKg: number("spilled", 0, 0.3), SpilledUKg: number("spilled u", 0, 0.05),
		RetainedKg: number("retained", 0, 0.6), RetainedUKg: number("retained u", 0, 0.1),
		LevelCorrectionL: number("correction", -1, 1), LevelCorrectionUL: number("correction u", 0, 0.1),
		AddedKg: number("added", 0, 8), AddedUKg: number("added u", 0, 0.02),
		OverflowKg: number("overflow", 0, 0.3), OverflowUKg: number("overflow u", 0, 0.05),
		SharedGainU: number("gain", 0, 0.002), FirstFill: number("first fill", 0.5, 1),
		BottleL: number("bottle", 0.5, 5), EngineHasRun: rapid.Bool().Draw(t, "engine"),
		TypicalL: number("typical", 1, 6), TotalL: 12, CaddyFreeL: number("free", -1, 5),
		StillDraining: rapid.Bool().Draw(t, "draining"),
	}
	if rapid.Bool().Draw(t, "same fluid") {
		in.Fresh = in.Used
	}
	return in
}

// Each input is moved by its uncertainty both ways. Half the differences, added in
// quadrature, are the combined uncertainty (GUM 5.1.3, note 2), independent of the
// formula in the code.
func TestPlanUncertaintyAgainstDifferences(t *testing.T) {
	denser := func(f Fluid, share float64) Fluid {
		f.Points = slices.Clone(f.Points)
		for i := range f.Points {
			f.Points[i].KgM3 *= 1 + share*f.DensityU
		}
		return f
	}
	rapid.Check(t, func(t *rapid.T) {
		in := drawPlan(t)
		moves := []func(in *PlanInput, way float64){
			func(in *PlanInput, way float64) { in.DrainedKg += way * in.DrainedUKg },
			func(in *PlanInput, way float64) { in.SpilledKg += way * in.SpilledUKg },
			func(in *PlanInput, way float64) { in.RetainedKg += way * in.RetainedUKg },
			func(in *PlanInput, way float64) { in.LevelCorrectionL += way * in.LevelCorrectionUL },
			func(in *PlanInput, way float64) { in.AddedKg += way * in.AddedUKg },
			func(in *PlanInput, way float64) { in.OverflowKg += way * in.OverflowUKg },
			func(in *PlanInput, way float64) { in.CheckC += way * in.CheckUC },
			func(in *PlanInput, way float64) {
				in.DrainedKg *= 1 + way*in.SharedGainU
				in.AddedKg *= 1 + way*in.SharedGainU
			},
		}
		used := func(in *PlanInput, way float64) { in.Used = denser(in.Used, way) }
		fresh := func(in *PlanInput, way float64) { in.Fresh = denser(in.Fresh, way) }
		if in.Used.Name == in.Fresh.Name {
			moves = append(moves, func(in *PlanInput, way float64) { used(in, way); fresh(in, way) })
		} else {
			moves = append(moves, used, fresh)
		}
		// The inputs must stay in their range when they are moved.
		in.SpilledKg, in.RetainedKg, in.OverflowKg = in.SpilledKg+0.1, in.RetainedKg+0.1, in.OverflowKg+0.1
		var target2, remaining2 float64
		for _, move := range moves {
			up, down := in, in
			move(&up, 1)
			move(&down, -1)
			high, low := mustPlan(t, up), mustPlan(t, down)
			target2 += math.Pow((high.TargetL-low.TargetL)/2, 2)
			remaining2 += math.Pow((high.RemainingL-low.RemainingL)/2, 2)
		}
		p := mustPlan(t, in)
		for _, c := range []struct {
			name      string
			got, want float64
		}{{"target", p.TargetUL, math.Sqrt(target2)}, {"remaining", p.RemainingUL, math.Sqrt(remaining2)}} {
			if math.Abs(c.got-c.want) > 2e-3*c.want+1e-9 {
				t.Errorf("u(%s) = %g, differences give %g", c.name, c.got, c.want)
			}
		}
	})
}

func TestPlanProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawPlan(t)
		p := mustPlan(t, in)

		// More drained, more to pour; more poured, less remains.
		more := in
		more.DrainedKg += rapid.Float64Range(0.001, 2).Draw(t, "more drained")
		if after := mustPlan(t, more); !(after.TargetL > p.TargetL && after.RemainingL > p.RemainingL) {
			t.Errorf("%g kg more drained: target %g after %g", more.DrainedKg-in.DrainedKg, after.TargetL, p.TargetL)
		}
		more = in
		more.AddedKg += 0.1
		if after := mustPlan(t, more); !(after.RemainingL < p.RemainingL && after.TargetL == p.TargetL) {
			t.Errorf("0.1 kg more poured: remaining %g after %g, target %g after %g", after.RemainingL, p.RemainingL, after.TargetL, p.TargetL)
		}

		// The bottles' content is what was poured, within the tolerance of the bottles.
		freshRef, _ := in.Fresh.Density(20)
		inBottles := float64(p.BottlesOpened)*in.BottleL - p.LastBottleLeftL
		if d := in.AddedKg/freshRef*1000 - inBottles; d < -1e-9 || d > in.BottleL/2 {
			t.Errorf("bottles gave %g L, the scale %g L more", inBottles, d)
		}
		if float64(p.BottlesForTarget)*in.BottleL < p.TargetL-shownL-1e-9 {
			t.Errorf("%d bottles of %g L for %g L", p.BottlesForTarget, in.BottleL, p.TargetL)
		}

		// With the same fluid and a level that was right before, the target is what came
		// out, at any check temperature, and the remaining mass does not depend on the
		// density.
		in.Fresh, in.LevelCorrectionL, in.EngineHasRun = in.Used, 0, true
		p = mustPlan(t, in)
		outKg := in.DrainedKg + in.SpilledKg + in.RetainedKg
		ref, _ := in.Used.Density(20)
		if want := outKg / ref * 1000; math.Abs(p.TargetL-want) > 1e-12*want {
			t.Errorf("target %.15g, removed %.15g", p.TargetL, want)
		}
		if want := outKg - in.AddedKg + in.OverflowKg; math.Abs(p.RemainingMassKg-want) > 1e-12*outKg {
			t.Errorf("remaining mass %.15g, want %.15g", p.RemainingMassKg, want)
		}

		for _, value := range []any{&in, &p} {
			kept, err := json.Marshal(value)
			if err != nil {
				t.Fatal(err)
			}
			back := reflect.New(reflect.TypeOf(value).Elem()).Interface()
			if err := json.Unmarshal(kept, back); err != nil || !reflect.DeepEqual(back, value) {
				t.Errorf("%s came back as %+v, %v", kept, back, err)
			}
		}
	})
}

// At the ends of a table the expansion is that of its inside, not half of it.
func TestExpansionAtTheEnds(t *testing.T) {
	for celsius, want := range map[float64]float64{20: 1.0 / 860, 50: 1.0 / 830, 80: 1.0 / 800} {
		kgM3, perC, err := roundUsed.expansion(celsius)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "density", kgM3, 880-celsius, 1e-9)
		near(t, "expansion", perC, want, 1e-12)
	}
}

// The density of one fluid acts on what is missing only; that of two on each.
func TestSameFluidCancels(t *testing.T) {
	in := PlanInput{Used: roundFresh, Fresh: roundFresh, ReferenceC: 20, CheckC: 80, CheckUC: 5,
		DrainedKg: 4.2, AddedKg: 4.2, FirstFill: 0.8, EngineHasRun: true}
	p := mustPlan(t, in)
	near(t, "nothing is missing", p.RemainingL, 0, 1e-12)
	near(t, "and that is sure", p.RemainingUL, 0, 1e-12)
	near(t, "u(target)", p.TargetUL, 5*0.001, 1e-12) // 4.2/0.84 = 5 L
	in.Used.Name = "another can"
	near(t, "two fluids", mustPlan(t, in).RemainingUL, 5*0.001*math.Sqrt2, 1e-12)
}

func TestPlanNotes(t *testing.T) {
	// 4.2 kg drained are 5 L of the same fluid.
	base := PlanInput{Used: roundFresh, Fresh: roundFresh, ReferenceC: 20, CheckC: 80, DrainedKg: 4.2, FirstFill: 0.8}
	for name, c := range map[string]struct {
		change func(in *PlanInput)
		want   []string
		says   string
	}{
		"plain":                     {func(in *PlanInput) {}, nil, ""},
		"typical":                   {func(in *PlanInput) { in.TypicalL, in.TotalL = 5, 9 }, nil, ""},
		"69 % of typical":           {func(in *PlanInput) { in.TypicalL = 5 / 0.69 }, []string{NoteLittle}, "target_l=5.00 typical_l=7.25"},
		"71 % of typical":           {func(in *PlanInput) { in.TypicalL = 5 / 0.71 }, nil, ""},
		"little, still draining":    {func(in *PlanInput) { in.TypicalL, in.StillDraining = 9, true }, nil, ""},
		"low level explains":        {func(in *PlanInput) { in.TypicalL, in.LevelCorrectionL = 8, 2 }, nil, ""},
		"129 % of typical":          {func(in *PlanInput) { in.TypicalL = 5 / 1.29 }, nil, ""},
		"131 % of typical":          {func(in *PlanInput) { in.TypicalL = 5 / 1.31 }, []string{NoteMuch}, "typical_l=3.82"},
		"much, still draining":      {func(in *PlanInput) { in.TypicalL, in.StillDraining = 3, true }, []string{NoteMuch}, "typical_l=3.00"},
		"more than it holds":        {func(in *PlanInput) { in.TotalL = 4.5 }, []string{NoteOverCapacity}, "total_l=4.50"},
		"first fill just passed":    {func(in *PlanInput) { in.AddedKg = 4.02 * 0.84 }, []string{NotePastFirstFill}, "over_l=0.02"},
		"first fill, within digits": {func(in *PlanInput) { in.AddedKg = 4.004 * 0.84 }, nil, ""},
		"past it, engine has run":   {func(in *PlanInput) { in.AddedKg, in.EngineHasRun = 4.02*0.84, true }, nil, ""},
		"overfull": {func(in *PlanInput) { in.AddedKg, in.AddedUKg, in.EngineHasRun = 5.25*0.84, 0.0084, true },
			[]string{NoteOverfull}, "over_l=0.25 over_u_l=0.02"},
		// Drained is known to 0.02 L: of the target that is ± 0.04, of a first fill of half of it ± 0.02.
		"overfull before the engine": {func(in *PlanInput) { in.AddedKg, in.DrainedUKg, in.FirstFill = 5.25*0.84, 0.0168, 0.5 },
			[]string{NoteOverfull}, "over_l=0.25 over_u_l=0.04"},
		"ran out at the plug": {func(in *PlanInput) { in.AddedKg, in.OverflowKg, in.EngineHasRun = 5.25*0.84, 0.21, true }, nil, ""},
		// 8 L at 20 °C are 6.72 kg; 2.52 kg of them are still to come: 3.15 L at 80 °C.
		"caddy too small":     {func(in *PlanInput) { in.TypicalL, in.CaddyFreeL, in.StillDraining = 8, 3.1, true }, []string{NoteCaddy}, "coming_l=3.15"},
		"caddy just enough":   {func(in *PlanInput) { in.TypicalL, in.CaddyFreeL, in.StillDraining = 8, 3.2, true }, nil, ""},
		"caddy, total known":  {func(in *PlanInput) { in.TotalL, in.CaddyFreeL, in.StillDraining = 8, 3.1, true }, []string{NoteCaddy}, ""},
		"caddy, drained":      {func(in *PlanInput) { in.TypicalL, in.CaddyFreeL = 6, 0.1 }, nil, ""},
		"caddy over its brim": {func(in *PlanInput) { in.TypicalL, in.CaddyFreeL, in.StillDraining = 8, -0.1, true }, []string{NoteCaddy}, "free_l=0.00"},
		// Five bottles of 1 L may hold 4.925 L only, six are plenty.
		"bottles may be short": {func(in *PlanInput) { in.BottleL = 1 }, []string{NoteBottles}, "bottle_l=1.00 count=5.00"},
		"bottles reach":        {func(in *PlanInput) { in.BottleL, in.DrainedKg = 1, 4.9*0.84 }, nil, ""},
		"target unsure":        {func(in *PlanInput) { in.BottleL, in.DrainedKg, in.DrainedUKg = 1, 4.9*0.84, 0.0168 }, []string{NoteBottles}, "target_u_l=0.04"},
		"better bottles":       {func(in *PlanInput) { in.BottleL, in.BottleTolerancePct, in.DrainedKg = 1, 0.1, 4.97*0.84 }, nil, ""},
		"poured already":       {func(in *PlanInput) { in.BottleL, in.AddedKg, in.EngineHasRun = 1, 4.2, true }, nil, ""},
	} {
		in := base
		in.Fresh.DensityU, in.Used.DensityU = 0, 0
		c.change(&in)
		p := mustPlan(t, in)
		if !slices.Equal(kinds(p), c.want) {
			t.Errorf("%s: notes %+v, want %v", name, p.Notes, c.want)
		} else if len(c.want) > 0 && !strings.Contains(plain(p.Notes[0]), c.says) {
			t.Errorf("%s: %q does not say %q", name, plain(p.Notes[0]), c.says)
		}
	}
}

func TestBottleCount(t *testing.T) {
	for _, c := range []struct {
		targetL, addedL, addedUL, bottleL float64
		forTarget, opened                 int
		leftL                             float64
	}{
		{4, 0, 0, 1, 4, 0, 0}, // a target of four bottles is not five
		{4.004, 0, 0, 1, 4, 0, 0},
		{4.01, 0, 0, 1, 5, 0, 0},
		{4.7, 0.2, 0, 1, 5, 1, 0.8},
		{4.7, 2.97, 0, 1, 5, 3, 0.03},
		{4.7, 3.03, 0, 1, 5, 3, 0}, // three full bottles that hold 1 % more
		{4.7, 3.10, 0, 1, 5, 4, 0.9},
		{4.7, 3.10, 0.04, 1, 5, 3, 0},   // the scale leaves it open
		{50, 40.55, 0, 1, 50, 41, 0.45}, // no more than half a bottle is ever left open
		{4.7, 4.7, 0, 5, 1, 1, 0.3},
		{4.7, -0.003, 0.002, 1, 5, 0, 0}, // noise of an untouched scale
		{4.7, 0.003, 0.002, 1, 5, 0, 0},
		{-0.5, 0, 0, 1, 0, 0, 0}, // to be drawn off
		{4.7, 2, 0, 0, 0, 0, 0},  // bottles unknown
	} {
		in := PlanInput{Used: roundFresh, Fresh: roundFresh, ReferenceC: 20, CheckC: 20, FirstFill: 0.8,
			LevelCorrectionL: c.targetL, AddedKg: c.addedL * 0.84, AddedUKg: c.addedUL * 0.84, BottleL: c.bottleL}
		p := mustPlan(t, in)
		if p.BottlesForTarget != c.forTarget || p.BottlesOpened != c.opened {
			t.Errorf("%+v: %d for the target, %d opened", c, p.BottlesForTarget, p.BottlesOpened)
		}
		near(t, fmt.Sprintf("%+v: left", c), p.LastBottleLeftL, c.leftL, 1e-9)
	}
}

func TestPlanErrorsNameTheField(t *testing.T) {
	nan := math.NaN()
	for field, change := range map[string]func(in *PlanInput){
		"drained_kg":                         func(in *PlanInput) { in.DrainedKg = nan },
		"drained_u_kg":                       func(in *PlanInput) { in.DrainedUKg = -0.001 },
		"spilled_kg":                         func(in *PlanInput) { in.SpilledKg = -0.1 },
		"spilled_u_kg":                       func(in *PlanInput) { in.SpilledUKg = nan },
		"retained_kg":                        func(in *PlanInput) { in.RetainedKg = math.Inf(1) },
		"retained_u_kg":                      func(in *PlanInput) { in.RetainedUKg = -1 },
		"level_correction_l":                 func(in *PlanInput) { in.LevelCorrectionL = nan },
		"level_correction_u_l":               func(in *PlanInput) { in.LevelCorrectionUL = -1 },
		"added_kg":                           func(in *PlanInput) { in.AddedKg = 1e9 },
		"added_u_kg":                         func(in *PlanInput) { in.AddedUKg = nan },
		"overflow_kg":                        func(in *PlanInput) { in.OverflowKg = -0.1 },
		"overflow_u_kg":                      func(in *PlanInput) { in.OverflowUKg = -0.1 },
		"shared_gain_u":                      func(in *PlanInput) { in.SharedGainU = 2 },
		"used.density_u":                     func(in *PlanInput) { in.Used.DensityU = nan },
		"fresh.density_u":                    func(in *PlanInput) { in.Fresh.DensityU = -1 },
		"check_u_c":                          func(in *PlanInput) { in.CheckUC = -1 },
		"used at check_c":                    func(in *PlanInput) { in.CheckC = nan },
		"fresh at check_c":                   func(in *PlanInput) { in.Fresh.Points = []DensityPoint{{10, 850}, {70, 800}} },
		"used at reference_c":                func(in *PlanInput) { in.Used.Points = []DensityPoint{{30, 850}, {80, 800}} },
		"fresh at reference_c":               func(in *PlanInput) { in.Fresh.Points = []DensityPoint{{30, 850}, {80, 800}} },
		"fresh at check_c: density in kg/m³": func(in *PlanInput) { in.Fresh.Points = []DensityPoint{{10, 0.85}, {90, 0.8}} },
		"first_fill":                         func(in *PlanInput) { in.FirstFill = 0 },
		"bottle_l":                           func(in *PlanInput) { in.BottleL = 1000 }, // millilitres
		"bottle_tolerance_pct":               func(in *PlanInput) { in.BottleTolerancePct = 50 },
		"typical_l":                          func(in *PlanInput) { in.TypicalL, in.TotalL = 9, 8 },
		"total_l":                            func(in *PlanInput) { in.TotalL = -1 },
		"caddy_free_l":                       func(in *PlanInput) { in.CaddyFreeL = nan },
	} {
		in := roundPlan()
		change(&in)
		if p, err := in.Plan(); err == nil || !strings.HasPrefix(err.Error(), field+": ") {
			t.Errorf("%s: got %+v, %v", field, p, err)
		}
	}
}

// Marks 0.4 L apart for fluid at 80 °C, where one litre is 0.8/0.84 L at 20 °C.
func TestTopUp(t *testing.T) {
	d := Dipstick{BetweenMarksL: 0.4, MarksC: 80, TotalL: 8}
	const toRef = 0.8 / 0.84
	for _, c := range []struct{ reading, aim, tempC, want float64 }{
		{0, 0.5, 80, 0.2 * toRef},
		{-0.5, 0.5, 80, 0.4 * toRef},
		{0.5, 0.5, 80, 0},
		{1.5, 1, 80, -0.2 * toRef}, // draw off
		// At 20 °C eight hot litres are 8·800/840 = 7.61905 L: the level stands
		// 0.38095 L too low for the marks, and nearly a whole distance is only cold.
		{-0.5, 0.5, 20, (0.4 - 0.380952) * toRef},
	} {
		litres, uL, err := d.TopUpL(roundFresh, c.reading, c.aim, c.tempC, 20)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("%+v", c), litres, c.want, 1e-6)
		near(t, "its uncertainty", uL, 0.04/math.Sqrt(3)*toRef, 1e-12)
	}
	d.TotalL = 0
	if _, _, err := d.TopUpL(roundFresh, 0, 0.5, 80, 20); err != nil {
		t.Errorf("at the marks' temperature the total is not needed: %v", err)
	}
	d.TotalL = 8
	nan := math.NaN()
	for field, call := range map[string]func() (float64, float64, error){
		"reading":         func() (float64, float64, error) { return d.TopUpL(roundFresh, 2.1, 0.5, 80, 20) },
		"aim":             func() (float64, float64, error) { return d.TopUpL(roundFresh, 0.5, 1.1, 80, 20) },
		"between_marks_l": func() (float64, float64, error) { return Dipstick{MarksC: 80}.TopUpL(roundFresh, 0, 0.5, 80, 20) },
		"total_l": func() (float64, float64, error) {
			return Dipstick{BetweenMarksL: 0.4, MarksC: 80}.TopUpL(roundFresh, 0, 0.5, 60, 20)
		},
		"marks_c": func() (float64, float64, error) {
			return Dipstick{BetweenMarksL: 0.4, MarksC: 90}.TopUpL(roundFresh, 0, 0.5, 90, 20)
		},
		"temp_c":       func() (float64, float64, error) { return d.TopUpL(roundFresh, 0, 0.5, nan, 20) },
		"reference_c":  func() (float64, float64, error) { return d.TopUpL(roundFresh, 0, 0.5, 80, 10) },
		"window_mid_c": func() (float64, float64, error) { return LevelShift(roundFresh, 8, 0, 40, nan) },
	} {
		if litres, _, err := call(); err == nil || !strings.HasPrefix(err.Error(), field+": ") {
			t.Errorf("%s: got %g, %v", field, litres, err)
		}
	}
}

// Worked by hand. Half a litre bottle and two whole ones, and one of 5 L:
//
//	volume    0.5 + 2 + 5                        = 7.5 L
//	1 L batch 2.5 · 1.5 %/√3                     = 0.021651
//	5 L batch 5 · 1.5 %/√3                       = 0.043301
//	half      0.1/√3 by eye                      = 0.057735
//	together  √(0.46875 + 1.875 + 3.33333)·10⁻³  = 0.075346
func TestBottlesAdded(t *testing.T) {
	litres, uL, err := BottlesAdded([]Bottle{{SizeL: 1, Share: 1}, {SizeL: 5, Share: 1}, {SizeL: 1, Share: 0.5}, {SizeL: 1, Share: 1}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "volume", litres, 7.5, 0)
	near(t, "its uncertainty", uL, 0.075346, 1e-6)

	for i, c := range []struct {
		bottles []Bottle
		uL      float64
	}{
		{nil, 0},
		{[]Bottle{{1, 1, 1}, {1, 1, 1}, {1, 1, 1}}, 3 * 0.01 / math.Sqrt(3)},    // one batch: straight sum
		{[]Bottle{{1, 1, 1}, {2, 1, 1}}, math.Hypot(0.01, 0.02) / math.Sqrt(3)}, // two: in quadrature
		{[]Bottle{{1, 1, 1}, {1, 1, 3}}, 0.04 / math.Sqrt(3)},                   // each with its own tolerance
		{[]Bottle{{1, 0, 1}}, 0}, // untouched
		{[]Bottle{{1, 0.5, 1e-9}, {1, 0.5, 1e-9}}, 0.1 * math.Sqrt2 / math.Sqrt(3)}, // each read for itself
		{[]Bottle{{0.75, 1, 0}}, 0.015 / math.Sqrt(3)},
		{[]Bottle{{0.4, 1, 0}}, 0.012 / math.Sqrt(3)},
		{[]Bottle{{12, 1, 0}}, 0.150 / math.Sqrt(3)},
		{[]Bottle{{20, 1, 0}}, 0.200 / math.Sqrt(3)},
	} {
		_, uL, err := BottlesAdded(c.bottles)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("case %d", i), uL, c.uL, 1e-8)
	}
	for field, b := range map[string]Bottle{
		"bottles[1].size_l":        {SizeL: 1000, Share: 1},
		"bottles[1].share":         {SizeL: 1, Share: 1.5},
		"bottles[1].tolerance_pct": {SizeL: 1, Share: 1, TolerancePct: math.NaN()},
	} {
		if _, _, err := BottlesAdded([]Bottle{{SizeL: 1, Share: 1}, b}); err == nil || !strings.HasPrefix(err.Error(), field+": ") {
			t.Errorf("%s: got %v", field, err)
		}
	}
}
