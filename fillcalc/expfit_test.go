package fillcalc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// NIST/ITL Statistical Reference Datasets, nonlinear regression: Misra1a (lower
// difficulty) and BoxBOD (higher), model y = b1·(1 − exp(−b2·x)). Certified to
// 11 digits; each figure must agree to half a unit of the last. The sets come
// with two starting points each (500, 0.0001 and 250, 0.0005; 1, 1 and 100,
// 0.75), from the first of which BoxBOD is known to lead many programs astray:
// this fit takes none.
func TestSaturationOfNIST(t *testing.T) {
	for _, c := range []struct {
		set                              string
		b1, u1, b2, u2, rss, s           float64
		b1D, u1D, b2D, u2D, rssD, sDigit float64 // unit of the last digit
	}{
		{"misra1a", 2.3894212918e+02, 2.7070075241e+00, 5.5015643181e-04, 7.2668688436e-06, 1.2455138894e-01, 1.0187876330e-01,
			1e-8, 1e-10, 1e-14, 1e-16, 1e-11, 1e-11},
		{"boxbod", 2.1380940889e+02, 1.2354515176e+01, 5.4723748542e-01, 1.0455993237e-01, 1.1680088766e+03, 1.7088072423e+01,
			1e-8, 1e-9, 1e-11, 1e-11, 1e-7, 1e-9},
	} {
		var x, y []float64
		for _, row := range table(t, "strd/"+c.set+".csv") {
			x, y = append(x, row["x"]), append(y, row["y"])
		}
		f, err := FitSaturation(x, y, true)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.set+" b1", f.B, c.b1, c.b1D/2)
		near(t, c.set+" b1's deviation", math.Sqrt(f.Cov[1][1]), c.u1, c.u1D/2)
		near(t, c.set+" b2", f.C, c.b2, c.b2D/2)
		near(t, c.set+" b2's deviation", math.Sqrt(f.Cov[2][2]), c.u2, c.u2D/2)
		near(t, c.set+" residual sum of squares", f.RSS, c.rss, c.rssD/2)
		near(t, c.set+" residual deviation", f.S, c.s, c.sDigit/2)
		if f.A != 0 || f.N != len(x) || f.LeftOut != 0 {
			t.Errorf("%s: A = %g, %d points of %d, %d left out", c.set, f.A, f.N, len(x), f.LeftOut)
		}
	}
}

// Newton's law of cooling from 20 °C towards 90 °C, tau 900 s (textbook; values
// computed independently with seven decimals).
func TestSaturationOfAWarmUp(t *testing.T) {
	s := []float64{60, 300, 600, 900, 1200, 1800}
	celsius := []float64{24.5145110, 39.8428083, 54.0608017, 64.2484391, 71.5482003, 80.5265302}
	f, err := FitSaturation(s, celsius, false)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "start", f.A, 20, 1e-6)
	near(t, "time constant", 1/f.C, 900, 1e-4)
	end, _ := f.At(math.Inf(1))
	near(t, "end", end, 90, 1e-5)
	at, _ := f.At(503.654209)
	near(t, "at 503.654209 s", at, 50, 1e-6)
}

// noisy are points of y = 20 + 70·(1 − exp(−x/900)) over two time constants.
func noisy(rng *rand.Rand, n int, s float64) (x, y []float64) {
	for i := range n {
		at := 1800 * float64(i+1) / float64(n)
		x = append(x, at)
		y = append(y, 20+70*(1-math.Exp(-at/900))+s*rng.NormFloat64())
	}
	return x, y
}

// The stated uncertainties of rate and end hold what they say: about 95 % of the
// true values lie within two of them.
func TestSaturationUncertaintyIsHonest(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	const fits = 200
	rate, end := 0, 0
	for range fits {
		x, y := noisy(rng, 60, 0.3)
		f, err := FitSaturation(x, y, false)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(f.C-1./900) <= 2*math.Sqrt(f.Cov[2][2]) {
			rate++
		}
		if y, u := f.At(math.Inf(1)); math.Abs(y-90) <= 2*u {
			end++
		}
	}
	for what, n := range map[string]int{"rate": rate, "end": end} {
		if n < fits*90/100 || n > fits*99/100 {
			t.Errorf("%s within 2 u in %d of %d fits", what, n, fits)
		}
	}
}

// The covariance is the inverse of the sums of products of the derivatives: here
// they are multiplied out the plain way, and give the unit matrix.
func TestSaturationCovariance(t *testing.T) {
	x, y := noisy(rand.New(rand.NewPCG(6, 6)), 40, 0.5)
	f, err := FitSaturation(x, y, false)
	if err != nil {
		t.Fatal(err)
	}
	var products [3][3]float64
	for _, at := range x {
		e := math.Exp(-f.C * at)
		g := [3]float64{1, 1 - e, f.B * at * e}
		for i := range g {
			for j := range g {
				products[i][j] += g[i] * g[j] / (f.S * f.S)
			}
		}
	}
	for i := range 3 {
		for j := range 3 {
			got, want := 0.0, 0.0
			for k := range 3 {
				got += f.Cov[i][k] * products[k][j]
			}
			if i == j {
				want = 1
			}
			// Columns differ in size by orders of magnitude: compare in the row's unit.
			scale := math.Sqrt(f.Cov[i][i] * products[j][j])
			near(t, "covariance times products", got/scale, want/scale, 1e-8)
		}
	}
}

// A bump that was left in the data does not move the curve; without the points
// that it spoils the fit is the same.
func TestSaturationLeavesStrayPointsOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, size := range []float64{3, 30, 3000, -30} {
		x, y := noisy(rng, 80, 0.2)
		var goodX, goodY []float64
		for i := range y {
			if i >= 30 && i < 38 {
				y[i] += size
				continue
			}
			goodX, goodY = append(goodX, x[i]), append(goodY, y[i])
		}
		f, err := FitSaturation(x, y, false)
		if err != nil {
			t.Fatal(err)
		}
		good, err := FitSaturation(goodX, goodY, false)
		if err != nil {
			t.Fatal(err)
		}
		good.LeftOut = 8
		if f != good {
			t.Errorf("bump of %g: %+v, want %+v", size, f, good)
		}
	}
}

func TestSaturationRefusals(t *testing.T) {
	up := []float64{0, 1, 2, 3, 4, 5}
	for _, c := range []struct {
		name      string
		x, y      []float64
		fixedZero bool
		want      string
	}{
		{"pairs", up, up[1:], false, "6 x but 5 y"},
		{"none", nil, nil, true, "0 points do not fix 2 parameters"},
		{"too few", up[:3], up[:3], false, "3 points do not fix 3 parameters"},
		{"negative x", []float64{-1, 0, 1, 2}, up[:4], false, "point 0 is (-1, 0)"},
		{"not a number", up[:4], []float64{0, 1, math.NaN(), 3}, false, "point 2 is (2, NaN)"},
		{"infinite", up[:4], []float64{0, 1, 2, math.Inf(1)}, false, "point 3"},
		{"one x", []float64{2, 2, 2, 2}, up[:4], false, "1 different x do not fix 3"},
		{"zero and one x", []float64{0, 0, 2, 2}, up[:4], true, "1 different x do not fix 2"},
		{"straight", up, up, false, "nothing bends towards an end: measure longer"},
		{"faster and faster", up, []float64{0, 1, 4, 9, 16, 25}, true, "nothing bends"},
		{"constant", up, []float64{7, 7, 7, 7, 7, 7}, false, "nothing bends"},
		{"over at once", up, []float64{0, 8, 7.5, 7, 6.5, 6}, true, "over at the first points"},
	} {
		if _, err := FitSaturation(c.x, c.y, c.fixedZero); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// Whatever the points: an error, or finite figures.
func TestSaturationIsFiniteOrRefused(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(0, 12).Draw(rt, "n")
		number := rapid.OneOf(rapid.Float64Range(0, 10), rapid.Float64(), rapid.Just(0.0), rapid.Just(1e12))
		x := rapid.SliceOfN(number, n, n).Draw(rt, "x")
		y := rapid.SliceOfN(number, n, n).Draw(rt, "y")
		f, err := FitSaturation(x, y, rapid.Bool().Draw(rt, "fixed zero"))
		if err != nil {
			return
		}
		at, u := f.At(3)
		end, uEnd := f.At(math.Inf(1))
		for _, v := range []float64{f.A, f.B, f.C, f.RSS, f.S, at, u, end, uEnd} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				rt.Fatalf("%+v", f)
			}
		}
	})
}

func BenchmarkFitSaturation(b *testing.B) {
	x, y := noisy(rand.New(rand.NewPCG(8, 8)), 100, 0.2)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FitSaturation(x, y, false); err != nil {
			b.Fatal(err)
		}
	}
}
