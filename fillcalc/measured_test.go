package fillcalc

import (
	"math"
	"testing"
)

// The density of a litre bottle of an oil of 846 kg/m³ at 15 °C, emptied except for
// the film that clings to it.
func TestDensityMeasuredOnTheCart(t *testing.T) {
	r := newRig(t, twoScales(), 10, 0.001)
	r.rest(8)
	weigh := Input{Do: DoWeigh, Weighing: &Weighing{Sensor: "supply"}}
	density := Input{Do: DoDensity, Weighing: &Weighing{Sensor: "supply", Fluid: "no sheet", Litres: 1}}
	r.refused(density, "do: refuse.weigh_first")
	r.refused(Input{Do: DoWeigh, Weighing: &Weighing{Sensor: "probe"}}, "sensor: refuse.no_such_scale")
	r.refused(Input{Do: DoWeigh}, "sensor: is required")
	r.do(weigh)
	r.refused(density, "do: refuse.not_emptied")

	at20, err := freshFluid.Density(20)
	if err != nil {
		t.Fatal(err)
	}
	goneKg := (1 - filmShare) * at20 / 1000 / BuoyancyFactor(at20, ConventionalAirKgM3)
	r.supplyKg -= goneKg
	r.rest(0.9)
	r.refused(density, "sensor: refuse.not_settled")
	r.rest(6)
	r.do(density)
	if len(r.s.Measured) != 1 || r.s.Measured[0].Name != "no sheet" {
		t.Fatalf("measured %+v", r.s.Measured)
	}
	got, err := r.s.Measured[0].Density(20)
	if err != nil {
		t.Fatal(err)
	}
	// 846 g from two weighings to about ±2 g.
	near(t, "density at 20 °C", got, at20, 4)
	if u := r.s.Measured[0].DensityU; math.Abs(got-at20)/at20 > 2*u || u > 0.012 {
		t.Errorf("off by %.2g, u is %.2g", (got-at20)/at20, u)
	}
	spec := aJob()
	spec.Fresh = r.s.Measured[0]
	r.do(Input{Do: DoOpen, Job: spec})
	r.rest(3)
	r.do(Input{Do: DoPhase, Phase: Filling, Why: "only a test"})
	r.refused(weigh, "sensor: refuse.scale_counts")
}
