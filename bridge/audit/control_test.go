package audit

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
)

// column reads a column of a file in testdata/control.
func column(t *testing.T, file string, n int) (values []float64) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "control", file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[n], 64)
		if err != nil {
			t.Fatal(err)
		}
		values = append(values, v)
	}
	return values
}

// near fails unless got equals want within half a unit of the last printed decimal.
func near(t *testing.T, what string, got, want float64, decimals int) {
	t.Helper()
	if !(math.Abs(got-want) <= 0.5000001*math.Pow10(-decimals)) {
		t.Errorf("%s: %.10g, want %g to %d decimals", what, got, want, decimals)
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rates. The
// moving ranges and the limit of the range are computed independently from its
// formulas.
func TestIndividuals(t *testing.T) {
	x := column(t, "individuals.csv", 0)
	c := NewIndividuals(x)
	near(t, "mean", c.Mean, 50.81, 10)
	near(t, "mean range", c.MeanRange, 1.8778, 4)
	near(t, "UCL", c.UCL, 55.8041, 4)
	near(t, "LCL", c.LCL, 45.8159, 4)
	near(t, "sigma, computed", c.Sigma, 1.664696612, 9)
	near(t, "UCL of the range, computed", c.RangeUCL, 6.1347, 4)
	for i, want := range []float64{2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5} {
		near(t, "range", c.MovingRanges()[i+1], want, 10)
	}
	if c.N != 10 || !math.IsNaN(c.MovingRanges()[0]) {
		t.Errorf("%d values, first range %g", c.N, c.MovingRanges()[0])
	}
	for i, rules := range RunRules(x, c.Mean, c.Sigma) {
		if len(rules) > 0 {
			t.Errorf("value %d signals %v, the handbook finds the process in control", i+1, rules)
		}
	}
}

// NIST/SEMATECH e-Handbook, 6.3.2.4: lambda 0.3, target 50, s 2.0539. The page
// truncates the lower limit, 47.4115. The limits while starting up are computed
// independently from the published formula.
func TestEWMA(t *testing.T) {
	x, published, computed := column(t, "ewma.csv", 0), column(t, "ewma.csv", 1), column(t, "ewma.csv", 2)
	e := EWMA{Lambda: 0.3, Target: 50, Sigma: 2.0539}
	lcl, ucl := e.Limits()
	near(t, "UCL", ucl, 52.5884, 4)
	near(t, "LCL, not truncated", lcl, 47.41156826, 8)
	points := e.Chart(x)
	if len(points) != 20 {
		t.Fatalf("%d points", len(points))
	}
	for i, p := range points {
		near(t, "average", p.Z, published[i], 2)
		near(t, "average, computed", p.Z, computed[i], 9)
		if p.Z > ucl || p.Z < lcl {
			t.Errorf("value %d is out of control, the handbook finds none", i+1)
		}
	}
	for i, want := range []float64{51.8485100, 52.2563940, 52.4314056, 52.5127153, 52.5516115} {
		near(t, "UCL while starting up", points[i].UCL, want, 7)
		near(t, "LCL while starting up", points[i].LCL, 100-want, 7)
	}
	if up, down := (EWMAPoint{3, 0, 2}).Beyond(), (EWMAPoint{-1, 0, 2}).Beyond(); up != 1 || down != -1 {
		t.Errorf("beyond: %d, %d", up, down)
	}
}

// By the rules of Western Electric (Statistical Quality Control Handbook, 1956) only
// the last of the same values signals: four of the last five lie more than a sigma
// above the target. Checked by hand.
func TestRunRules(t *testing.T) {
	x := column(t, "ewma.csv", 0)
	for i, rules := range RunRules(x, 50, 2.0539) {
		want := []Rule(nil)
		if i == 19 {
			want = []Rule{FourBeyond1}
		}
		if !slices.Equal(rules, want) {
			t.Errorf("value %d signals %v, want %v", i+1, rules, want)
		}
	}
}

// Each rule alone, on both sides of the mean, and values that just miss it.
func TestEachRunRule(t *testing.T) {
	for _, c := range []struct {
		x    []float64
		want Rule // of the last; the others signal nothing
	}{
		{[]float64{0, 3.01}, OneBeyond3},
		{[]float64{0, 3}, ""},
		{[]float64{2.1, 0, 2.1}, TwoBeyond2},
		{[]float64{2.1, 0, 0, 2.1}, ""},
		{[]float64{2.1, -2.1, 0}, ""},
		{[]float64{2.1, 2, 0}, ""},
		{[]float64{1.1, 1.1, 0, 1.1, 1.1}, FourBeyond1},
		{[]float64{1.1, 1.1, -1.1, 1.1, 0.9}, ""},
		{[]float64{.1, .1, .1, .1, .1, .1, .1, .1}, EightOneSide},
		{[]float64{.1, .1, .1, .1, 0, .1, .1, .1}, ""},
		{[]float64{.1, .1, .1, .1, -.1, .1, .1, .1}, ""},
		{[]float64{.1, .1, .1, .1, math.NaN(), .1, .1, .1, .1}, EightOneSide},
	} {
		for _, side := range []float64{1, -1} {
			x := slices.Clone(c.x)
			for i := range x {
				x[i] *= side
			}
			for i, rules := range RunRules(x, 0, 1) {
				want := []Rule(nil)
				if i == len(x)-1 && c.want != "" {
					want = []Rule{c.want}
				}
				if !slices.Equal(rules, want) {
					t.Errorf("%v: value %d signals %v, want %v", x, i+1, rules, want)
				}
			}
		}
	}
}

// Too few values, equal values and unknown values give no limits, and nothing signals.
func TestDegenerateCharts(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	same := make([]float64, 30)
	for i := range same {
		same[i] = 0.1
	}
	for _, c := range []struct {
		name             string
		x                []float64
		n                int
		mean, sigma, ucl float64
	}{
		{"none", nil, 0, nan, nan, nan},
		{"one", []float64{7}, 1, 7, nan, nan},
		{"two", []float64{1, 2.128}, 2, 1.564, 1, 4.564},
		{"equal", same, 30, 0.1, 0, 0.1},
		{"not known", []float64{nan, inf, -inf}, 0, nan, nan, nan},
		{"one known", []float64{nan, 7, inf}, 1, 7, nan, nan},
		{"two known", []float64{nan, 1, nan, 2.128, inf}, 2, 1.564, 1, 4.564},
		{"huge", []float64{-math.MaxFloat64, math.MaxFloat64}, 2, inf, inf, inf},
	} {
		individuals := NewIndividuals(c.x)
		if c.name != "huge" {
			for _, f := range []struct{ got, want float64 }{{individuals.Mean, c.mean}, {individuals.Sigma, c.sigma}, {individuals.UCL, c.ucl}} {
				if !(math.Abs(f.got-f.want) < 1e-12) && !(math.IsNaN(f.got) && math.IsNaN(f.want)) {
					t.Errorf("%s: %g, want %g", c.name, f.got, f.want)
				}
			}
		}
		if individuals.N != c.n {
			t.Errorf("%s: %d known values, want %d", c.name, individuals.N, c.n)
		}
		for i, rules := range RunRules(c.x, individuals.Mean, individuals.Sigma) {
			if len(rules) > 0 {
				t.Errorf("%s: value %d signals %v", c.name, i+1, rules)
			}
		}
		for i, p := range (EWMA{Lambda: 0.2, Target: individuals.Mean, Sigma: individuals.Sigma}).Chart(c.x) {
			if p.Beyond() != 0 {
				t.Errorf("%s: average %d is beyond: %+v", c.name, i+1, p)
			}
		}
	}
}
