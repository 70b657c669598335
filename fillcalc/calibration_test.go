package fillcalc

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

const (
	calibratedNs = 1_760_000_000_000_000_001 // odd: no float64 holds it
	yearNs       = int64(nsPerYear)
)

// uAt returns the standard uncertainty of the line's height at x.
func (l line) uAt(x float64) float64 { return math.Hypot(l.u, l.slopeU*(x-l.bestX)) }

// JCGM 100:2008 (the GUM), H.3: the calibration of a thermometer. More digits
// than it prints are computed independently from its formulas; printed, from
// memory: -0.1712 ± 0.0029, 0.00218 ± 0.00067, r = -0.930, s = 0.0035,
// b(30 °C) = -0.1494 ± 0.0041.
func TestThermometerOfGUMH3(t *testing.T) {
	var corrections []linePoint
	var points []ProbePoint
	for _, row := range table(t, "calibration/gum_h3.csv") {
		corrections = append(corrections, linePoint{x: row["t_c"], y: row["b_c"]})
		points = append(points, ProbePoint{KnownC: row["t_c"] + row["b_c"], ShownC: row["t_c"]})
	}
	l := fitLine(corrections)
	near(t, "y1", l.at(20), -0.17120379, 5e-9)
	near(t, "u(y1)", l.uAt(20), 0.00287760, 5e-9)
	near(t, "y2", l.slope, 0.0021826977, 5e-11)
	near(t, "u(y2)", l.slopeU, 0.000667939, 5e-10)
	near(t, "s", l.scatter, 0.00349756, 5e-9)
	// Height at 20 °C and slope share what the slope does between there and bestX.
	near(t, "r(y1,y2)", (20-l.bestX)*l.slopeU/l.uAt(20), -0.930430, 5e-7)
	near(t, "b(30 °C)", l.at(30), -0.14937681, 5e-9)
	near(t, "u(b(30 °C))", l.uAt(30), 0.00413860, 5e-9)

	fit, err := FitProbe(points, calibratedNs, calibratedNs+yearNs)
	if err != nil || !fit.Passed || len(fit.Points) != 11 {
		t.Fatalf("%+v, %v", fit, err)
	}
	near(t, "correction at 30 °C", fit.Correct(30)-30, -0.14937681, 5e-9)
	near(t, "its uncertainty", fit.UAt(30), 0.00413860, 5e-9)
}

// OIML R 76-1:2006, Table 6, on both sides of each limit and for the usual
// intervals.
func TestClassIIITolerances(t *testing.T) {
	for _, row := range table(t, "calibration/r76_mpe_class_iii.csv") {
		for _, e := range []float64{0.001, 0.002, 0.005, 0.01, 0.0007} {
			from, to, want := row["load_e_from_exclusive"]*e, row["load_e_to_inclusive"]*e, row["mpe_initial_e"]*e
			near(t, "at the end of the row", MPEClassIIIKg(to, e), want, 1e-15)
			near(t, "just above its beginning", MPEClassIIIKg(from+e/1000, e), want, 1e-15)
			if row["mpe_in_service_e"] != 2*row["mpe_initial_e"] {
				t.Errorf("in service is not twice: %v", row)
			}
		}
	}
	// 3.3, the worked example: e = 1, 2 and 10 g up to 2, 5 and 15 kg.
	for _, c := range []struct{ loadKg, eKg, want float64 }{
		{0.5, 0.001, 0.0005}, {0.501, 0.001, 0.001}, {2, 0.001, 0.001}, {2.002, 0.002, 0.002}, {4, 0.002, 0.002},
		{4.002, 0.002, 0.003}, {5, 0.002, 0.003}, {5.01, 0.010, 0.010}, {6, 0.010, 0.010}, {15, 0.010, 0.010},
	} {
		near(t, "multi-interval", MPEClassIIIKg(c.loadKg, c.eKg), c.want, 1e-15)
	}
}

var calibratedScale = ScaleSetup{ResolutionKg: 0.005, RepeatabilityKg: 0.002}

// shownBy returns what a scale with a slope and a zero shows for known weights.
func shownBy(gain, zeroKg float64, knownKg ...float64) (points []ScalePoint) {
	for _, kg := range knownKg {
		points = append(points, ScalePoint{kg, zeroKg + gain*kg})
	}
	return points
}

// A scale that shows 0.04 % too much and has 3.2 kg standing on it.
func TestScaleCalibration(t *testing.T) {
	fit, err := FitScale(shownBy(1.0004, 3.2, 0, 5, 10), calibratedScale, 0.00005, calibratedNs, calibratedNs+yearNs)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", fit.Slope, 1/1.0004, 1e-12)
	near(t, "zero", fit.ZeroKg, 3.2, 0)
	near(t, "left", fit.WorstKg, 0, 1e-12)
	near(t, "lightest", fit.LightestKg, 5, 0)
	// The points lie on a line: their scatter is what step and repeatability make,
	// √(5²/12 + 2²) g, over √Sxx = √50 kg; the weights add 50 ppm.
	scatter := math.Sqrt(25.0/12+4) / 1000
	near(t, "scatter", fit.ScatterKg, scatter, 1e-15)
	near(t, "u of the slope", fit.SlopeU, math.Hypot(scatter/math.Sqrt(50), 0.00005), 1e-12)
	// 2 g of 5 kg and 4 g of 10 kg: ±5 g new (to 2000 e = 10 kg), ±10 g in service.
	for i, want := range []ScaleResult{{InitialKg: 0.0025, ServiceKg: 0.005}, {ErrorKg: 0.002, InitialKg: 0.005, ServiceKg: 0.010}, {ErrorKg: 0.004, InitialKg: 0.005, ServiceKg: 0.010}} {
		got := fit.Points[i]
		near(t, "error", got.ErrorKg, want.ErrorKg, 1e-12)
		near(t, "allowed when new", got.InitialKg, want.InitialKg, 1e-12)
		near(t, "allowed in service", got.ServiceKg, want.ServiceKg, 1e-12)
	}
	if !fit.Passed {
		t.Error("did not pass")
	}

	// The scatter of the points counts if it is larger: one point of five is 30 g off.
	scattered := shownBy(1, 0, 0, 0, 5, 5, 5)
	scattered[2].ShownKg += 0.030
	bent, err := FitScale(scattered, calibratedScale, 0, calibratedNs, 0)
	if err != nil || bent.Passed {
		t.Fatalf("%+v, %v", bent, err)
	}
	// By hand: at 5 kg the line is 10 g off and leaves 20, -10 and -10 g, so that s² is
	// 600/3 g². That it is fitted over the weights shown changes little.
	near(t, "scatter", bent.ScatterKg, math.Sqrt(200)/1000, 5e-5)
}

// A point exactly at the tolerance passes, even if rounding puts it above; a point
// above it fails.
func TestScalePasses(t *testing.T) {
	for _, c := range []struct {
		shownKg float64
		want    bool
	}{{8.21, true}, {8.19, true}, {8.2101, false}, {8.1899, false}} { // 8.21 - 3.2 - 5 is a little above 0.01
		fit, err := FitScale([]ScalePoint{{0, 3.2}, {5, c.shownKg}}, calibratedScale, 0, 0, 0)
		if err != nil || fit.Passed != c.want {
			t.Errorf("5 kg shown as %g above 3.2: passed %v, %v", c.shownKg, fit.Passed, err)
		}
	}
}

// In simulated calibrations the uncertainty of the slope must be neither too small
// nor much too large.
func TestSlopeUncertaintyCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	const runs = 1000
	inside, z2 := 0, 0.0
	for range runs {
		gain := 1 + 0.001*rng.NormFloat64()
		weights := 1 + 0.00005*rng.NormFloat64() // all off together
		var points []ScalePoint
		for _, nominal := range []float64{0, 2, 5, 10} {
			shown := 3.2 + gain*nominal*weights + 0.002*rng.NormFloat64()
			points = append(points, ScalePoint{nominal, math.Round(shown/0.005) * 0.005})
		}
		fit, err := FitScale(points, calibratedScale, 0.00005, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		z := (fit.Slope*gain - 1) / fit.SlopeU
		z2 += z * z / runs
		if math.Abs(z) <= 2 {
			inside++
		}
	}
	if share := float64(inside) / runs; share < 0.93 || z2 < 0.6 {
		t.Errorf("%.1f %% of the slopes lie within k = 2, mean square %.2f: want about 95 %% and a little below 1", 100*share, z2)
	}
}

func TestGainGrowsWithAge(t *testing.T) {
	c := ScaleCalibration{AtNs: calibratedNs, DueNs: calibratedNs + yearNs, Slope: 1, SlopeU: 0.0003, LightestKg: 2, WorstKg: 0.020, Passed: true}
	near(t, "on the day", c.GainU(calibratedNs), 0.0003, 1e-15)
	near(t, "before it (a clock set back)", c.GainU(calibratedNs-yearNs), 0.0003, 1e-15)
	near(t, "two years later", c.GainU(calibratedNs+2*yearNs), 0.0005, 1e-12) // 3, 4, 5
	c.DriftUPerYear = 0.0004
	near(t, "one year later, drifting twice as fast", c.GainU(calibratedNs+yearNs), 0.0005, 1e-12)
	c.Passed = false // ±20 g on 2 kg: 1 %
	near(t, "failed", c.GainU(calibratedNs), math.Hypot(0.0003, 0.01/math.Sqrt(3)), 1e-12)
	if c.Overdue(c.DueNs) || !c.Overdue(c.DueNs+1) {
		t.Error("overdue begins after DueNs")
	}
}

// Every refusal says what to do.
func TestCalibrationRefusals(t *testing.T) {
	for _, c := range []struct {
		points []ScalePoint
		want   string
	}{
		{nil, "need_weights"},
		{shownBy(1, 0, 0, 0), "need_weights"},
		{shownBy(1, 0, 5, 10), "need_weights"},
		{shownBy(2.2046, 0, 0, 5), "scale_far"},
		{shownBy(0, 3.2, 0, 5), "scale_far"},      // it shows the same for any weight
		{shownBy(1, 3.2, 0, 0.5), "slope_unsure"}, // ±1.4 %
		{[]ScalePoint{{0, 0}, {-5, -5}}, "point 2"},
		{[]ScalePoint{{0, 0}, {5, math.NaN()}}, "point 2"},
		{[]ScalePoint{{0, math.Inf(1)}, {5, 5}}, "point 1"},
	} {
		if fit, err := FitScale(c.points, calibratedScale, 0, 0, 0); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %+v, %v; want %q", c.points, fit, err, c.want)
		}
	}
	for _, c := range []struct {
		points []ProbePoint
		want   string
	}{
		{nil, "need_temperature"},
		{[]ProbePoint{{0, 0, 0.1}, {0, 0, 0.1}}, "too_close"},
		{[]ProbePoint{{0, 0, 0.1}, {5, 5, 0.1}}, "too_close"},
		{[]ProbePoint{{0, 32, 0.1}, {100, 212, 0.1}}, "probe_slope"},
		{[]ProbePoint{{0, 273.15, 0.1}}, "probe_far"},
		{[]ProbePoint{{0, 0, 0.1}, {100, math.NaN(), 0.1}}, "point 2"},
		{[]ProbePoint{{0, 0, math.NaN()}}, "point 1"},
	} {
		if fit, err := FitProbe(c.points, 0, 0); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %+v, %v; want %q", c.points, fit, err, c.want)
		}
	}
}

func TestProbeCalibration(t *testing.T) {
	// One point: an offset. Away from it, the slope's tolerance of class B adds to u.
	one, err := FitProbe([]ProbePoint{{0, 0.4, 0.05}}, calibratedNs, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "offset", one.Correct(40), 39.6, 1e-12)
	near(t, "u at the point", one.UAt(0.4), 0.05, 1e-15)
	near(t, "u at 40.4 °C", one.UAt(40.4), math.Hypot(0.05, 40*0.005/math.Sqrt(3)), 1e-12)
	if one.Passed { // class B: ±0.3 °C at 0 °C
		t.Error("0.4 °C off at the ice point passed")
	}
	// Two points: a line through both. At each point u is that of its reference, and
	// in between a mean of the two.
	two, err := FitProbe([]ProbePoint{{0, 0.2, 0.05}, {100, 100.8, 0.3}}, calibratedNs, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "at ice", two.Correct(0.2), 0, 1e-12)
	near(t, "at boiling", two.Correct(100.8), 100, 1e-12)
	near(t, "u at ice", two.UAt(0.2), 0.05, 2e-3) // never below the best point's own
	near(t, "u at boiling", two.UAt(100.8), 0.3, 1e-3)
	near(t, "half-way", two.UAt(50.5), math.Hypot(0.05, 0.3)/2, 2e-3)
	if !two.Passed { // class B: ±0.8 °C at 100 °C
		t.Error("0.8 °C off at 100 °C did not pass")
	}
	// Ten uses of one reference are no better than one.
	var often []ProbePoint
	for i := range 10 {
		often = append(often, ProbePoint{float64(10 * i), float64(10 * i), 0.1})
	}
	many, err := FitProbe(often, 0, 0)
	if err != nil || many.U != 0.1 {
		t.Errorf("u = %g, %v; want 0.1", many.U, err)
	}
}

// IAPWS R7-97(2012), Table 36, and pressures of ISO 2533:1975, to the printed
// digits.
func TestBoilingPoint(t *testing.T) {
	for _, row := range table(t, "calibration/if97_table36.csv") {
		near(t, "saturation temperature", saturationK(row["pressure_mpa"]), row["temp_k"], 5e-7)
	}
	for _, row := range table(t, "calibration/standard_atmosphere.csv") {
		hPa, err := PressureHPa(row["altitude_m"])
		if err != nil {
			t.Fatal(err)
		}
		near(t, "pressure", hPa*100, row["pressure_pa"], 0.051)
	}
	// Below sea level, against the library's power.
	below, err := PressureHPa(-430)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pressure at -430 m", below, 1013.25*math.Pow(1+0.0065*430/288.15, 9.80665/287.05287/0.0065), 1e-9)
	// From memory, not checked against a table: 99.97 °C at sea level, and a degree
	// less for each 300 m.
	sea, err := BoilingC(1013.25)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "boiling at sea level", sea, 99.974, 0.001)
	high, _ := PressureHPa(1500)
	boiling, err := BoilingC(high)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "boiling at 1500 m", boiling, 95, 0.2)

	for _, m := range []float64{-501, 5001, math.NaN(), math.Inf(1)} {
		if hPa, err := PressureHPa(m); err == nil {
			t.Errorf("pressure at %g m: %g, want an error", m, hPa)
		}
	}
	for _, hPa := range []float64{499, 1101, math.NaN()} {
		if c, err := BoilingC(hPa); err == nil {
			t.Errorf("boiling at %g hPa: %g, want an error", hPa, c)
		}
	}
}

// Recorded bits that every machine must reproduce, and that JSON preserves.
func TestCalibrationBits(t *testing.T) {
	scale, err := FitScale(shownBy(1.00037, 3.215, 0, 2.5, 7.5, 20), calibratedScale, 0.00005, calibratedNs, calibratedNs+yearNs)
	if err != nil {
		t.Fatal(err)
	}
	probe, err := FitProbe([]ProbePoint{{0, 0.1, 0.05}, {40, 40.3, 0.1}, {98.6, 99.2, 0.3}}, calibratedNs, calibratedNs+yearNs)
	if err != nil {
		t.Fatal(err)
	}
	boiling, err := BoilingC(968.4)
	if err != nil {
		t.Fatal(err)
	}
	pressure, err := PressureHPa(417)
	if err != nil {
		t.Fatal(err)
	}
	for what, f := range map[string]struct {
		got  float64
		bits uint64
	}{
		"slope":    {scale.Slope, 0x3feffcf8573ba623},
		"gain u":   {scale.GainU(calibratedNs + yearNs/3), 0x3f27a68d1528951f},
		"correct":  {probe.Correct(40.25), 0x4043f964dfaecf66},
		"u at":     {probe.UAt(61.7), 0x3fc3809d9d5e77bc},
		"boiling":  {boiling, 0x4058ad7d391bb220},
		"pressure": {pressure, 0x408e212e8a298b4f},
	} {
		if bits := math.Float64bits(f.got); bits != f.bits {
			t.Errorf("%s = %v has bits %#x, recorded %#x", what, f.got, bits, f.bits)
		}
	}

	text, err := json.Marshal(scale)
	if err != nil {
		t.Fatal(err)
	}
	var again ScaleFit
	if err := json.Unmarshal(text, &again); err != nil || again.ScaleCalibration != scale.ScaleCalibration || len(again.Points) != 4 || again.Points[3] != scale.Points[3] {
		t.Errorf("JSON gave %+v, %v from %+v", again, err, scale)
	}
	text, err = json.Marshal(probe)
	if err != nil {
		t.Fatal(err)
	}
	var warm ProbeFit
	if err := json.Unmarshal(text, &warm); err != nil || warm.ProbeCalibration != probe.ProbeCalibration {
		t.Errorf("JSON gave %+v, %v from %+v", warm, err, probe)
	}
}

// Check accepts good figures and names the field of a bad one.
func TestCalibrationCheck(t *testing.T) {
	good := ScaleCalibration{Slope: 1.0004, SlopeU: 0.0003, WorstKg: 0.01, LightestKg: 2}
	if err := good.Check(); err != nil {
		t.Error(err)
	}
	for field, spoil := range map[string]func(*ScaleCalibration){
		"slope":            func(c *ScaleCalibration) { c.Slope = 0 },
		"slope_u":          func(c *ScaleCalibration) { c.SlopeU = math.NaN() },
		"drift_u_per_year": func(c *ScaleCalibration) { c.DriftUPerYear = -1 },
		"worst_kg":         func(c *ScaleCalibration) { c.WorstKg = math.Inf(1) },
		"lightest_kg":      func(c *ScaleCalibration) { c.LightestKg = 0 },
	} {
		bad := good
		spoil(&bad)
		if err := bad.Check(); err == nil || !strings.HasPrefix(err.Error(), field+":") {
			t.Errorf("%s: %v", field, err)
		}
	}
	warm := ProbeCalibration{OffsetC: -0.2, Gain: 1.002, U: 0.05, GainU: 0.003}
	if err := warm.Check(); err != nil {
		t.Error(err)
	}
	for field, spoil := range map[string]func(*ProbeCalibration){
		"gain":     func(c *ProbeCalibration) { c.Gain = 2 },
		"offset_c": func(c *ProbeCalibration) { c.OffsetC = math.NaN() },
		"u and":    func(c *ProbeCalibration) { c.U = -1 },
		"best_c":   func(c *ProbeCalibration) { c.BestC = math.Inf(-1) },
	} {
		bad := warm
		spoil(&bad)
		if err := bad.Check(); err == nil || !strings.HasPrefix(err.Error(), field) {
			t.Errorf("%s: %v", field, err)
		}
	}
}
