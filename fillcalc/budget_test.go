package fillcalc

import (
	"math"
	"testing"
)

// JCGM 100:2008 H.1, the end gauge: four independent contributions in nm. The
// combined 31.66 nm is checked against a national institute's open library; the
// GUM prints 32.
func TestBudgetOfGUMExampleH1(t *testing.T) {
	b := Budget{
		{"standard", "", 25},
		{"difference", "", math.Sqrt(5.8*5.8 + 3.9*3.9 + 6.7*6.7)},
		{"difference of expansion", "", 50_000_000 * 0.1 * 0.57735e-6},
		{"difference of temperature", "", 50_000_000 * 11.5e-6 * 0.028868},
	}
	near(t, "combined", math.Sqrt(b.U2()), 31.66, 0.01)
}

// JCGM 100:2008 5.2.2 with r of 0 and 1: two quantities of u = 0.020 L each.
func TestBudgetOfADifference(t *testing.T) {
	for _, c := range []struct {
		name   string
		shared float64 // of each quantity's u, by one common input
		want   float64
	}{
		{"independent", 0, 0.0282842712},
		{"all shared", 0.020, 0},
		// r = 0.9: 0.9·u² is common.
		{"r of 0.9", 0.020 * math.Sqrt(0.9), 0.0089442719},
	} {
		own := math.Sqrt(0.020*0.020 - c.shared*c.shared)
		a := Budget{{"common", "scale", c.shared}, {"own", "a", own}}
		b := Budget{{"common", "scale", c.shared}, {"own", "b", own}}
		near(t, c.name, math.Sqrt(a.Minus(b).U2()), c.want, 1e-9)
	}
}

// named returns the sum of the terms of a name, in litres.
func named(b Budget, name string) (litres float64) {
	for _, t := range b {
		if t.Name == name {
			litres += t.L
		}
	}
	return litres
}

// JCGM 100:2008 F.2.2.1: a display step of 5 g leaves 1.443 g, a net of two readings
// 2.041 g. A quiet weighing is hardly worse.
func TestWeighingsInTheBudget(t *testing.T) {
	setup := twoScales()
	for i := range setup.Scales {
		setup.Scales[i].RepeatabilityKg = 0
	}
	r := started(t, setup, aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.rest(30)
	perKg := 1000 / r.s.Job.UsedKgM3 * r.s.Job.UsedFactor
	b := r.s.Budget(DrainedTally)
	start, end := named(b, "weighing_start")/perKg, named(b, "weighing_end")/perKg
	if !(start < -0.00144337567 && start > -0.0018 && end > 0.00144337567 && end < 0.0018) {
		t.Errorf("weighings of %.5f and %.5f kg", start, end)
	}
	if net := math.Hypot(start, end); !(net > 0.00204124145 && net < 0.0026) {
		t.Errorf("net of two: %.5f kg", net)
	}
	if len(r.s.Budget(AddedTally)) != 0 {
		t.Error("an account that has not begun has an uncertainty")
	}
}

// Each input moved by its standard uncertainty moves the volume by its term (GUM 5.1.3,
// note 2).
func TestSensitivities(t *testing.T) {
	measure := func(change func(setup *Setup, spec *JobSpec), gain float64) *State {
		setup, spec := twoScales(), aJob()
		spec.UsedSpreadU = 0.003
		change(setup, spec)
		r := started(t, setup, spec, Draining)
		r.scene(60, steady(0.05*gain), nil, nil)
		r.rest(6)
		r.phase(Filling)
		r.scene(50, nil, steady(0.05*gain), nil)
		r.rest(6)
		return &r.s
	}
	asIs := measure(func(*Setup, *JobSpec) {}, 1)
	at := func(s *State, account Tally) float64 {
		if account == DrainedTally {
			return s.Volumes().DrainedL
		}
		return s.Volumes().AddedL
	}
	for _, c := range []struct {
		name    string
		account Tally
		gain    float64
		change  func(setup *Setup, spec *JobSpec)
		tol     float64 // share of the term: the display's step hides a part
	}{
		{"slope", DrainedTally, 1.0005, func(*Setup, *JobSpec) {}, 2},
		{"slope", AddedTally, 1.0005, func(*Setup, *JobSpec) {}, 2},
		{"density_fluid", DrainedTally, 1, func(_ *Setup, spec *JobSpec) { spec.Used.DensityKgM3 *= 1.001 }, 0.02},
		{"density_fluid", AddedTally, 1, func(_ *Setup, spec *JobSpec) { spec.Fresh.DensityKgM3 *= 1.001 }, 0.02},
		{"density_air", DrainedTally, 1, func(setup *Setup, _ *JobSpec) { setup.AirKgM3 += airUKgM3 }, 0.02},
		{"density_air", AddedTally, 1, func(setup *Setup, _ *JobSpec) { setup.AirKgM3 += airUKgM3 }, 0.02},
	} {
		moved := at(measure(c.change, c.gain), c.account) - at(asIs, c.account)
		term := named(asIs.Budget(c.account), c.name)
		near(t, c.name+" of "+c.account.String(), math.Abs(moved), math.Abs(term), c.tol*math.Abs(term))
	}
	v := asIs.Volumes()
	for name, want := range map[string]float64{
		"slope":         v.DrainedL * 0.0005,
		"use":           v.DrainedL * 0.003,
		"density_fluid": v.DrainedL * 0.001,
	} {
		near(t, name, named(asIs.Budget(DrainedTally), name), want, 1e-9)
	}
	if l := named(asIs.Budget(AddedTally), "use"); l != 0 {
		t.Errorf("fresh fluid has changed in use: %g L", l)
	}
	near(t, "U of drained", v.DrainedUL, 2*math.Sqrt(asIs.Budget(DrainedTally).U2()), 1e-12)
	near(t, "U of the balance", v.BalanceUL, 2*math.Sqrt(asIs.BalanceBudget().U2()), 1e-12)
}

// A calibration says what the slope is worth, and takes the place of what is assumed of a
// scale that has none.
func TestCalibrationInTheBudget(t *testing.T) {
	setup := twoScales()
	setup.Scales[0].Calibration = &ScaleCalibration{Slope: 1.01, SlopeU: 0.0002, LightestKg: 1, Passed: true,
		AtNs: 1_750_000_000e9, DueNs: 1_750_000_000e9 + nsPerYear}
	r := started(t, setup, aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(5)
	near(t, "drained", r.shown(DrainedTally), 3.03, 0.006)
	near(t, "slope's part", named(r.s.Budget(DrainedTally), "slope"), r.s.Volumes().DrainedL*0.0002, 1e-6)
}

// On one scale with one fluid, the balance is the difference of two weighings, however much
// went out and in: the weighing between, the slope and the density act only on the little
// that is missing.
func TestBalanceOnOneScale(t *testing.T) {
	spec := aJob()
	spec.Used = spec.Fresh
	r := started(t, oneScale(), spec, Draining)
	r.scene(80, steady(0.05), nil, nil)
	r.rest(8)
	r.phase(Filling)
	r.scene(80, nil, steady(0.05), nil)
	r.rest(8)
	balance, drained, added := r.s.BalanceBudget(), r.s.Budget(DrainedTally), r.s.Budget(AddedTally)
	for _, name := range []string{"weighing", "slope", "density_fluid", "density_air"} {
		if apart := math.Hypot(named(drained, name), named(added, name)); apart == 0 || !(math.Abs(named(balance, name)) < 0.02*apart) {
			t.Errorf("%s: %.6f L in the balance, %.6f L in both volumes", name, named(balance, name), apart)
		}
	}
	for _, name := range []string{"weighing_start", "weighing_end"} {
		if !(math.Abs(named(balance, name)) > 0.0015) {
			t.Errorf("%s: %.6f L in the balance", name, named(balance, name))
		}
	}
	v := r.s.Volumes()
	if apart := math.Hypot(v.DrainedUL, v.AddedUL); v.BalanceUL > 0.9*apart {
		t.Errorf("U of the balance is %.4f L, for independent volumes it would be %.4f", v.BalanceUL, apart)
	}
}

// A change of which nobody has said what it was may be fluid in any part: the mean square of
// a uniformly distributed share (GUM 4.3.7). A pair leaves nothing behind.
func TestChangesInTheBudget(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.rest(8)
	u := func(r *rig) float64 { return r.s.Volumes().DrainedUL / 2 }
	before := u(r)
	r.onCaddy(0.9)
	near(t, "undecided", u(r), math.Hypot(before, 0.9/math.Sqrt(3)/r.s.Job.UsedKgM3*1000), 0.01)
	for _, as := range []Label{AsFluid, AsThing} { // more fluid is known less well, and a thing has two weighings of its own
		f := r.fork()
		f.answer(1, as)
		near(t, "answered as "+string(as), u(f), before, 0.003)
	}
	r.onCaddy(-0.9)
	near(t, "after the pair", u(r), before, 2e-4) // as if it had never been there
}
