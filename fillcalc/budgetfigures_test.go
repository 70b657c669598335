package fillcalc

import (
	"math"
	"slices"
	"testing"
)

// Each figure of the budget follows from what its comment says: a change by a tenth shows.
func TestFiguresOfTheBudget(t *testing.T) {
	for _, c := range []struct {
		name       string
		got, want  float64
		derivation string
	}{
		{"airUKgM3", airUKgM3, 0.025 * 1.2, "weather moves the air's density by about 2.5 % (common practice, no source)"},
		{"driftSteps", driftSteps, math.Sqrt((0.5*0.5 + 0.5*0.5) / 3), "OIML R 76-1:2006, 3.9.4.1 and half of 3.9.2.3, as rectangles (GUM 4.3.7)"},
		{"linearitySteps", linearitySteps, 0.5 / math.Sqrt(3), "half a display step as a rectangle (common practice, no source)"},
		{"offCentreU", offCentreU, 0.00035 / math.Sqrt(3), "0.035 % of the load as a rectangle (common practice, no source)"},
		{"setDownU", setDownU, 0.0001, "half of that again, because it is set down nearly where it was (common practice, no source)"},
		{"knockUKg", knockUKg, 0.02, "four steps of a scale of 5 g after the cart was knocked (common practice, no source)"},
		{"gravityU", gravityU, 3 * gravityPerDegree(45) / math.Sqrt(3), "three degrees of latitude as a rectangle"},
		{"expansionUPerC", expansionUPerC, 0.05 * 0.0008, "a twentieth of the thermal expansion of a mineral oil (common practice, no source)"},
		{"funnelUL", funnelUL, 0.010 / math.Sqrt(12), "0 to 10 mL as a rectangle (common practice, no source)"},
		{"clingsKg", clingsKg, 0.009, "10 mL that cling to a quart bottle (common practice, no source)"},
		{"bottleKg", bottleKg, 0.056 + clingsKg, "an empty quart bottle of plastic (common practice, no source)"},
		{"bottleUKg", bottleUKg, 0.015, "from the thinnest to the thickest (common practice, no source)"},
		{"lagUS", lagUS, 1 / math.Sqrt(12) / 2, "filters from none to 1 s delay by half of that, as a rectangle"},
		{"turnUKg", turnUKg, 0.02, "50 g/s over the delay of an indicator (common practice, no source)"},
	} {
		if math.Abs(c.got/c.want-1) > 0.06 {
			t.Errorf("%s is %g, want %g: %s", c.name, c.got, c.want, c.derivation)
		}
	}
}

// gravityPerDegree is the relative change of normal gravity for a degree of latitude, by the
// formula of Somigliana for the ellipsoid GRS 80 (Moritz, Geodetic Reference System 1980,
// Journal of Geodesy 74, 2000; its constants from memory).
func gravityPerDegree(latitude float64) float64 {
	gravity := func(degrees float64) float64 {
		sin2 := math.Pow(math.Sin(degrees*math.Pi/180), 2)
		return 9.7803267715 * (1 + 0.001931851353*sin2) / math.Sqrt(1-0.0066943800229*sin2)
	}
	return (gravity(latitude+0.5) - gravity(latitude-0.5)) / gravity(latitude)
}

// Every term has advice, and halving the largest one leaves the U that is promised.
func TestImprovements(t *testing.T) {
	b := Budget{
		{"slope", "caddy", 0.008}, {"weighing_end", "caddy", -0.004},
		{"density_fluid", "red", 0.004}, {"change", "3", 0.001},
	}
	list := b.Improvements(2)
	if len(list) != 2 || list[0].Term.Name != "slope" || math.Abs(list[0].UL-2*math.Sqrt(3*0.004*0.004+0.001*0.001)) > 1e-12 {
		t.Errorf("%+v", list)
	}
	r := started(t, oneScale(), aJob(), Filling)
	r.rest(10)
	for _, budget := range []Budget{r.s.Budget(DrainedTally), r.s.Budget(AddedTally), r.s.BalanceBudget(), {{Name: "labels"}}} {
		for _, i := range budget.Improvements(len(budget)) {
			if !slices.Contains(TermNames(), i.Term.Name) {
				t.Errorf("%s is not in the list", i.Term.Name)
			}
		}
	}
}
