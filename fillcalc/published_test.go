package fillcalc

import (
	"encoding/csv"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// table reads a file of published figures into rows of named numbers; cells
// that are not numbers are left out.
func table(t *testing.T, name string) []map[string]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]float64
	for _, record := range records[1:] {
		row := map[string]float64{}
		for i, cell := range record {
			if x, err := strconv.ParseFloat(cell, 64); err == nil {
				row[records[0][i]] = x
			}
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s holds no rows", name)
	}
	return rows
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.12g, want %.12g ± %g", what, got, want, tolerance)
	}
}

// ASTM D1250-80 Table 54D and API MPMS 11.1-2004, 11.1.6.1; values computed
// independently from the published formulas to the digits in the file.
func TestLubricatingOilGrid(t *testing.T) {
	for _, row := range table(t, "fluids/vcf_lubricating_oil_grid.csv") {
		rho15, c := row["rho15_kgm3"], row["temp_c"]
		d1980, err := Fluid{Model: Oil1980, DensityKgM3: rho15, AtC: 15}.Density(c)
		if err != nil {
			t.Fatal(err)
		}
		d2004, err := Fluid{Model: Oil2004, DensityKgM3: rho15, AtC: 15}.Density(c)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "density 1980", d1980, row["density_1980_kgm3"], 1e-9*rho15)
		near(t, "density 2004", d2004, row["density_2004_kgm3"], 1e-9*rho15)
		// The editions agree within 1e-5 over the lubricating oil range.
		near(t, "2004 against 1980", d2004/d1980, 1, 1e-5)
		at60F, err := oil2004(row["rho60f_2004_kgm3"], c)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "CTL from 60 °F", at60F/row["rho60f_2004_kgm3"], row["ctl60f_2004"], 1e-9)
	}
}

// API MPMS 11.1-2004: at 60 °F the correction is exactly one. CTL of given 60 °F
// densities, values computed independently from 11.1.6.1.
func TestProcedure2004At60F(t *testing.T) {
	for _, c := range []struct{ base, fahrenheit, ctl float64 }{
		{850, 60, 1}, {850, 0, 1.024434162}, {850, 32, 1.011451483}, {850, 100, 0.983504441},
		{850, 150, 0.962683001}, {850, 212, 0.936599131}, {900, 32, 1.010817465}, {900, 212, 0.940167101},
	} {
		got, err := oil2004(c.base, (c.fahrenheit-32)/1.8)
		if err != nil {
			t.Fatal(err)
		}
		tolerance := 5e-10
		if c.fahrenheit == 60 {
			tolerance = 1e-12
		}
		near(t, "CTL", got/c.base, c.ctl, tolerance)
	}
}

// ASTM D1250-80 Table 53D, the inverse: density measured at a temperature,
// sought at 15 °C; values computed independently.
func TestDensityFromAnotherTemperature(t *testing.T) {
	for _, c := range []struct{ density, at, base15 float64 }{
		{846.7, 20, 849.842451}, {843.3, 20, 846.442465}, {835.0, 40, 850.778483}, {806.7, 80, 848.036457},
	} {
		got, err := Fluid{Model: Oil1980, DensityKgM3: c.density, AtC: c.at}.Density(15)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "density at 15 °C", got, c.base15, 1e-6)
	}
}

// Hot oil shrinks by 4.510 % from 80 to 20 °C and grows by 4.723 % the other
// way (computed from Table 54D at 850 kg/m³).
func TestHotVolume(t *testing.T) {
	f := Fluid{Model: Oil1980, DensityKgM3: 850, AtC: 15}
	s := State{Job: Job{ReferenceC: 20}}
	hot, err := s.AsItLiesL(f, 1, 80)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "one reference litre at 80 °C", hot, 1.04723, 5e-6)
	near(t, "one hot litre at 20 °C", 1/hot, 0.9549004, 5e-8)
}

func TestDensityOutsideItsRange(t *testing.T) {
	points := []DensityPoint{{20, 850}, {80, 810}}
	for _, c := range []struct {
		fluid Fluid
		at    float64
	}{
		{Fluid{Model: Oil1980, DensityKgM3: 795, AtC: 15}, 20},
		{Fluid{Model: Oil1980, DensityKgM3: 1170, AtC: 15}, 20},
		{Fluid{Model: Oil1980, DensityKgM3: 850, AtC: 15}, 151},
		{Fluid{Model: Oil1980, DensityKgM3: 850, AtC: 15}, -21},
		{Fluid{Model: Oil1980, DensityKgM3: math.NaN(), AtC: 15}, 20},
		{Fluid{Model: Oil1980, DensityKgM3: 850, AtC: 15}, math.NaN()},
		{Fluid{Model: Oil2004, DensityKgM3: 800.8, AtC: 15.6}, 20},
		{Fluid{Model: Oil2004, DensityKgM3: 1164, AtC: 15.6}, 20},
		{Fluid{Model: Oil2004, DensityKgM3: 850, AtC: 15}, -51},
		{Fluid{Model: DensityPoints, Points: points}, 19.9},
		{Fluid{Model: DensityPoints, Points: points}, 80.1},
		{Fluid{Model: DensityPoints, Points: points[:1]}, 20},
		{Fluid{Model: DensityPoints, Points: []DensityPoint{{80, 810}, {20, 850}}}, 50},
		{Fluid{Model: "", DensityKgM3: 850, AtC: 15}, 20},
	} {
		if d, err := c.fluid.Density(c.at); err == nil {
			t.Errorf("%+v at %g °C gave %g: want an error", c.fluid, c.at, d)
		}
	}
	// Half-way along a straight line, and on its ends.
	f := Fluid{Model: DensityPoints, Points: points}
	for at, want := range map[float64]float64{20: 850, 50: 830, 80: 810} {
		if got, err := f.Density(at); err != nil || got != want {
			t.Errorf("points at %g °C = %g, %v; want %g", at, got, err, want)
		}
	}
}

// OIML D 28:2004 convention; values computed to 12 digits.
func TestBuoyancyTable(t *testing.T) {
	for _, row := range table(t, "weighing/buoyancy_oil.csv") {
		near(t, "buoyancy factor", BuoyancyFactor(row["density_kgm3"], ConventionalAirKgM3), row["factor_air_1_2"], 1e-12)
	}
}

// The Z factor of ISO 8655-6 / ISO 4787 is the volume of water for a scale's
// reading: buoyancy over density. Water by Tanaka et al., Metrologia 38 (2001).
// The printed table is recalled from memory; half a unit of its last digit.
func TestZFactorOfWater(t *testing.T) {
	water := map[float64]float64{}
	for _, row := range table(t, "weighing/water_density.csv") {
		water[row["temp_c"]] = row["density_kgm3"]
	}
	printed := map[float64]float64{15: 1.0020, 20: 1.0029, 25: 1.0040, 30: 1.0054}
	checked := 0
	for _, row := range table(t, "weighing/z_factor_water.csv") {
		rho, known := water[row["temp_c"]]
		if !known {
			continue
		}
		z := BuoyancyFactor(rho, ConventionalAirKgM3) / rho * 1000
		near(t, "Z in air of 1.2 kg/m³", z, row["z_ul_per_mg_air_1_2"], 1e-9)
		if want, ok := printed[row["temp_c"]]; ok {
			near(t, "Z as printed", z, want, 5e-5)
			checked++
		}
	}
	if checked != len(printed) {
		t.Errorf("%d of %d printed values checked", checked, len(printed))
	}
}

// NIST SP 811 (2008), Appendix B, prints seven digits; the exact definitions
// stand behind them.
func TestExactUnits(t *testing.T) {
	one := Decimal{1, 0}
	for unit, want := range map[MassUnit]float64{Kilogram: 1, Gram: 0.001, Pound: 0.45359237, Ounce: 0.028349523125} {
		if got, ok := unit.Kg(one); !ok || got != want {
			t.Errorf("1 of unit %d = %v kg, want %v", unit, got, want)
		}
	}
	for _, c := range []struct {
		name               string
		got, want, printed float64
	}{
		{"gallon (US)", LitresPerUSGallon, 231 * 2.54 * 2.54 * 2.54 / 1000, 3.785412},
		{"quart (US)", LitresPerUSQuart, LitresPerUSGallon / 4, 0.9463529},
		{"pint (US)", LitresPerUSPint, LitresPerUSGallon / 8, 0.4731765},
		{"fluid ounce (US)", LitresPerUSFluidOunce, LitresPerUSGallon / 128, 0.02957353},
		{"gallon (imperial)", LitresPerImperialGallon, 4.54609, 4.54609},
		{"quart (imperial)", LitresPerImperialQuart, 4.54609 / 4, 1.136523},
		{"pint (imperial)", LitresPerImperialPint, 4.54609 / 8, 0.5682612},
		{"fluid ounce (imperial)", LitresPerImperialFluidOunce, 4.54609 / 160, 0.02841306},
		{"lbf·ft", NewtonMetresPerPoundFoot, 0.45359237 * 9.80665 * 0.3048, 1.355818},
		{"lbf·in", NewtonMetresPerPoundInch, 0.45359237 * 9.80665 * 0.0254, 0.1129848},
	} {
		near(t, c.name, c.got, c.want, 4e-16*c.want)
		near(t, c.name+" as printed", c.got, c.printed, 1e-6*c.printed)
	}
	// SP 811 prints the pound 4.535924 E-01 kg and the ounce 2.834952 E-02 kg.
	near(t, "pound as printed", 0.45359237, 4.535924e-1, 5e-8)
	near(t, "ounce as printed", 0.028349523125, 2.834952e-2, 5e-9)
	// Exact pairs of the two scales.
	for f, want := range map[int64]float64{-40: -40, 32: 0, 59: 15, 68: 20, 95: 35, 104: 40, 176: 80, 212: 100} {
		if got, ok := DegreeFahrenheit.Celsius(Decimal{f, 0}); !ok || got != want {
			t.Errorf("%d °F = %v °C, want exactly %v", f, got, want)
		}
	}
	// Everything that a probe may print in tenths and hundredths, compared with the
	// definition (NIST SP 811, 2008, Appendix B) in 200 bits, rounded once.
	for hundredths := int64(-7600); hundredths <= 48200; hundredths++ {
		for _, printed := range []Decimal{{hundredths, -2}, {10 * hundredths, -3}, {hundredths, -1}} {
			exact := new(big.Float).SetPrec(200).SetInt64(printed.Digits)
			exact.Quo(exact, big.NewFloat(pow10[-printed.Exp]))
			exact.Quo(exact.Mul(exact.Sub(exact, big.NewFloat(32)), big.NewFloat(5)), big.NewFloat(9))
			want, _ := exact.Float64()
			if got, ok := DegreeFahrenheit.Celsius(printed); !ok || got != want {
				t.Fatalf("%d × 10^%d °F = %.17g °C, want %.17g", printed.Digits, printed.Exp, got, want)
			}
		}
	}
	if got, _ := Kelvin.Celsius(Decimal{29315, -2}); got != 20 {
		t.Errorf("293.15 K = %v °C, want 20", got)
	}
}

// What a technician expects of an ordinary job (common practice, no source).
func TestTradeFacts(t *testing.T) {
	// A pan drop brings about 4 US quarts; a little over 3 of them go in first.
	plan, err := PlanInput{
		Used: freshFluid, Fresh: freshFluid, ReferenceC: 20, CheckC: 40, FirstFill: 0.8,
		DrainedKg: 4 * LitresPerUSQuart * 0.8425,
	}.Plan()
	if err != nil {
		t.Fatal(err)
	}
	first := plan.FirstFillL / LitresPerUSQuart
	if !(3 < first && first < 3.5) {
		t.Errorf("first fill of 4 US quarts is %.2f: want a little over 3", first)
	}
	// Bolts of such a pan take about 165 lbf·in: 18.6 N·m, hand-tool torque.
	near(t, "165 lbf·in", 165*NewtonMetresPerPoundInch, 18.64, 0.005)
}

// math.Exp is good to within one unit in the last place on its own machine;
// the recorded bits are those that every machine must give.
func TestExp(t *testing.T) {
	for x := -0.5; x <= 0.5; x += 1.0 / 4096 {
		if got, want := Exp(x), math.Exp(x); math.Abs(got-want) > 2*(math.Nextafter(want, 2)-want) {
			t.Fatalf("Exp(%g) = %v, math.Exp gives %v", x, got, want)
		}
	}
	for _, x := range []float64{-20, -3, 3, 20} {
		near(t, "Exp", Exp(x)/math.Exp(x), 1, 1e-13)
	}
	for x, bits := range map[float64]uint64{
		0: 0x3ff0000000000000, 0.1: 0x3ff1aec7b35a00d4, -0.05: 0x3fee7078b0a726a6, 0.5: 0x3ffa61298e1e069c,
	} {
		if got := math.Float64bits(Exp(x)); got != bits {
			t.Errorf("Exp(%g) has bits %#x, recorded %#x", x, got, bits)
		}
	}
}
