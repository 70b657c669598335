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

// JCGM 100:2008 F.2.2.1: a display step of 5 g leaves 1.443 g, a net of two
// readings 2.041 g.
func TestWeighingsInTheBudget(t *testing.T) {
	setup := twoScales()
	for i := range setup.Scales {
		setup.Scales[i].RepeatabilityKg = 0
	}
	r := started(t, setup, aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	perKg := 1000 / r.s.Job.UsedKgM3 * r.s.Job.UsedFactor
	var weighings Budget
	for _, term := range r.s.Budget(DrainedTally) {
		if term.Name == "weighing at the start" || term.Name == "weighing at the end" {
			near(t, term.Name, math.Abs(term.L)/perKg, 0.00144337567, 1e-11)
			weighings = append(weighings, term)
		}
	}
	near(t, "net of two", math.Sqrt(weighings.U2())/perKg, 0.00204124145, 1e-11)
	if len(r.s.Budget(AddedTally)) != 0 {
		t.Error("an account that has not begun has an uncertainty")
	}
}

// On one scale with one fluid, the balance is the difference of two weighings,
// however much went out and in: slope and density act only on the little that is
// missing.
func TestBalanceOnOneScale(t *testing.T) {
	spec := aJob()
	spec.Used = spec.Fresh
	r := started(t, oneScale(), spec, Draining)
	r.scene(80, steady(0.05), nil, nil)
	r.scene(4, nil, nil, nil)
	r.do(Input{Do: DoPhase, Phase: Filling})
	r.scene(80, nil, steady(0.05), nil)
	r.scene(4, nil, nil, nil)
	perKg := 1000 / r.s.Job.FreshKgM3 * r.s.Job.FreshFactor
	sc := &r.s.Scales[0]
	want := math.Sqrt(2*sc.weighingU2()+2*math.Pow(driftSteps*sc.Setup.ResolutionKg, 2)) * perKg
	v := r.s.Volumes()
	near(t, "u of the balance", v.BalanceUL/2, want, 1e-5)
	if apart := math.Hypot(v.DrainedUL, v.AddedUL); v.BalanceUL > 0.8*apart {
		t.Errorf("U of the balance is %.4f L, for independent volumes it would be %.4f", v.BalanceUL, apart)
	}
}

func TestStepsInTheBudget(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	u := func() float64 { return r.s.Volumes().DrainedUL / 2 }
	before := u()
	r.scene(10, nil, nil, steady(0.9))
	perKg := 1000 / r.s.Job.UsedKgM3
	near(t, "undecided", u(), math.Hypot(before, 0.9/math.Sqrt(3)*perKg), 0.01)
	r.scene(10, nil, nil, nil)
	if r.s.Job.Steps[0].With != 2 {
		t.Fatalf("steps %+v", r.s.Job.Steps)
	}
	near(t, "after the pair", u(), before, 1e-4) // as if it had never been there
}
