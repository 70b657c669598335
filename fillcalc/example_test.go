package fillcalc_test

import (
	"fmt"
	"math"

	"bayfill/fillcalc"
)

// An invented fluid with a density from its data sheet, known to 0.1 %.
var amber = fillcalc.Fluid{
	Name: "amber", Model: fillcalc.Oil2004, DensityKgM3: 846, AtC: 15, DensityU: 0.001,
}

func ExampleFluid_Density() {
	for _, celsius := range []float64{15, 20, 80, 180} {
		kgM3, err := amber.Density(celsius)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Printf("%g °C: %.2f kg/m³\n", celsius, kgM3)
	}
	// Output:
	// 15 °C: 846.00 kg/m³
	// 20 °C: 842.86 kg/m³
	// 80 °C: 804.66 kg/m³
	// fluid "amber": temperature is 180.0 °C: the lubricating oil procedure of 2004 holds from -50 to 150
}

// A scale shows 4.000 kg of oil.
func ExampleBuoyancyFactor() {
	kgM3, err := amber.Density(20)
	if err != nil {
		fmt.Println(err)
		return
	}
	factor := fillcalc.BuoyancyFactor(kgM3, fillcalc.ConventionalAirKgM3)
	massKg := 4.000 * factor
	fmt.Printf("factor %.6f, mass %.4f kg, volume %.4f L\n", factor, massKg, massKg/kgM3*1000)
	// Output:
	// factor 1.001276, mass 4.0051 kg, volume 4.7518 L
}

// One scale weighed 4 L of one fluid out and 4 L in again. Its slope and the
// density act on both volumes alike, so that they cancel in the difference. What
// remains are the weighings.
func ExampleBudget_Minus() {
	const weighingL, slopeL, densityL = 0.003, 0.002, 0.004
	drained := fillcalc.Budget{
		{Name: "weighing_start", Of: "caddy", L: -weighingL},
		{Name: "weighing between", Of: "caddy", L: weighingL},
		{Name: "slope", Of: "caddy", L: slopeL},
		{Name: "density_fluid", Of: "amber", L: densityL},
	}
	added := fillcalc.Budget{
		{Name: "weighing between", Of: "caddy", L: weighingL},
		{Name: "weighing_end", Of: "caddy", L: -weighingL},
		{Name: "slope", Of: "caddy", L: slopeL},
		{Name: "density_fluid", Of: "amber", L: densityL},
	}
	fmt.Printf("u(drained) = %.1f mL\n", 1000*math.Sqrt(drained.U2()))
	fmt.Printf("u(balance) = %.1f mL\n", 1000*math.Sqrt(added.Minus(drained).U2()))
	// Output:
	// u(drained) = 6.2 mL
	// u(balance) = 4.2 mL
}

// A short journal: the program starts, a job is opened, and 3 kg of fluid drain in
// a minute onto a scale that sends five readings a second.
func ExampleApply() {
	var state fillcalc.State
	event := fillcalc.Event{AtNs: 1_750_000_000e9}
	apply := func(e fillcalc.Event) {
		e.Seq, e.AtNs = event.Seq+1, event.AtNs+200e6
		event = e
		state = fillcalc.Apply(state, e)
	}
	command := func(in fillcalc.Input) {
		if err := fillcalc.Check(&state, &in); err != nil {
			fmt.Println(err)
		}
		apply(fillcalc.Event{Kind: fillcalc.KindInput, Input: &in})
	}
	shownKg := 3.200
	readings := func(seconds, kgS float64) {
		for range int(5 * seconds) {
			shownKg += kgS / 5
			apply(fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "caddy", Value: shownKg})
		}
	}

	command(fillcalc.Input{Do: fillcalc.DoStart, Setup: &fillcalc.Setup{
		ReferenceC: 20, AirKgM3: fillcalc.ConventionalAirKgM3,
		Scales: []fillcalc.ScaleSetup{{
			Sensor: "caddy", Load: fillcalc.CaddyLoad,
			ResolutionKg: 0.005, RepeatabilityKg: 0.002, GainU: 0.0005, MaxFlowKgS: 0.15,
		}},
	}})
	readings(4, 0)
	command(fillcalc.Input{Do: fillcalc.DoOpen, Job: &fillcalc.JobSpec{
		ID: "job-1", Used: amber, Fresh: amber, LowC: 35, HighC: 45, FirstFill: 0.8,
	}})
	readings(8, 0)
	command(fillcalc.Input{Do: fillcalc.DoPhase, Phase: fillcalc.Draining})
	readings(60, 0.05)
	readings(5, 0)

	v := state.Volumes()
	fmt.Printf("drained %.2f ± %.3f L (k = 2), quality %s\n", v.DrainedL, v.DrainedUL, v.Quality)
	for _, term := range state.Budget(fillcalc.DrainedTally) {
		fmt.Printf("%.1f mL  %s\n", 1000*math.Abs(term.L), term.Name)
	}
	// Output:
	// drained 3.56 ± 0.014 L (k = 2), quality good
	// 3.0 mL  weighing_start
	// 3.4 mL  weighing_end
	// 2.4 mL  drift_drained
	// 1.8 mL  slope
	// 0.7 mL  off_middle
	// 0.6 mL  gravity
	// 1.7 mL  linearity
	// 0.1 mL  density_air
	// 3.6 mL  density_fluid
	// 0.7 mL  expansion
}
