package units

import (
	"math"
	"strings"
	"testing"
)

// TestWrittenAmounts uses the exact definitions on which NIST SP 811 (2008), Appendix
// B, rests. The products are worked out by hand and must match to the last bit.
func TestWrittenAmounts(t *testing.T) {
	for _, c := range []struct {
		written string
		convert func(Written) (float64, error)
		want    float64
	}{
		{"3.97 L", Written.Litres, 3.97},
		{"350 mL", Written.Litres, 0.35},
		{"4.2 qt", Written.Litres, 3.9746823732},  // 4.2 × 0.946352946
		{"9qt", Written.Litres, 8.517176514},      // 9 × 0.946352946
		{"8.5 pt", Written.Litres, 4.0220000205},  // 8.5 × 0.473176473
		{"2 GAL", Written.Litres, 7.570823568},    // 8 quarts
		{"16 fl oz", Written.Litres, 0.473176473}, // a pint
		{"16 fl. oz", Written.Litres, 0.473176473},
		{"7 pt imp", Written.Litres, 3.97782875}, // 7 × 0.56826125
		{"2.5 pt imp", Written.Litres, 1.420653125},
		{"3.5 qt imp", Written.Litres, 3.97782875}, // the same 7 pints
		{"1 gal imp", Written.Litres, 4.54609},
		{"20 fl oz imp", Written.Litres, 0.56826125}, // an imperial pint
		{"3 gallons", Written.Litres, 11.356235352},  // a gallon is 231 cubic inches (NIST Handbook 44, Appendix C)
		{"1 Gallon", Written.Litres, 3.785411784},
		{"2 galones", Written.Litres, 7.570823568},
		{"1 gallon imperial", Written.Litres, 4.54609},
		{"3 litros", Written.Litres, 3},
		{"250 millilitres", Written.Litres, 0.25},
		{"1 quart", Written.Litres, 0.946352946},
		{"3 fluid ounces", Written.Litres, 0.0887205886875}, // 3 × 0.0295735295625
		{".5 qt", Written.Litres, 0.473176473},
		{"95 F", Written.Celsius, 35},        // 63 × 5/9
		{"113 °F", Written.Celsius, 45},      // 81 × 5/9
		{"60 F", Written.Celsius, 140.0 / 9}, // 28 × 5/9
		{"-40 f", Written.Celsius, -40},
		{"39.5 C", Written.Celsius, 39.5},
		{"65 g", Written.Kilograms, 0.065},
		{"0.065 kg", Written.Kilograms, 0.065},
		{"2 oz", Written.Kilograms, 0.05669904625}, // 2 × 0.028349523125
		{"1 lb", Written.Kilograms, 0.45359237},
		{"18.6 N m", Written.NewtonMetres, 18.6},
		{"18.6 Nm", Written.NewtonMetres, 18.6},
		{"18.6 N·m", Written.NewtonMetres, 18.6},
		{"80 in-lb", Written.NewtonMetres, 9.038786322209336}, // 80 × 0.1129848290276167
		{"80 lbf·in", Written.NewtonMetres, 9.038786322209336},
		{"165 in-lbs", Written.NewtonMetres, 18.6424967895567555}, // 165 × 0.1129848290276167
		{"11 ft-lb", Written.NewtonMetres, 14.9139974316454044},   // 11 × 1.3558179483314004
		{"11 lb-ft", Written.NewtonMetres, 14.9139974316454044},
	} {
		got, err := c.convert(Written(c.written))
		if err != nil || got != c.want {
			t.Errorf("%s is %.17g, want %.17g; %v", c.written, got, c.want, err)
		}
	}
	for _, c := range []struct {
		written string
		convert func(Written) (float64, error)
		want    string
	}{
		{"4.2", Written.Litres, "has no unit, as in 4.2 qt"},
		{"qt", Written.Litres, "is not a number with its unit"},
		{"-", Written.Litres, "is not a number with its unit"},
		{"4,2 qt", Written.Litres, "is not a number with its unit: write a decimal point"},
		{"1e3 L", Written.Litres, "unit \"e3 L\" is not one of"},
		{"4.2 l/", Written.Litres, "is not one of L, mL, qt"},
		{"4.2 L imp", Written.Litres, "qt imp, pt imp"},
		{"1234567 L", Written.Litres, "is not a number with its unit"},
		{"4. qt", Written.Litres, "is not a number with its unit"},
		{"NaN L", Written.Litres, "is not a number with its unit"},
		{"95 C", Written.Litres, `unit "C" is not one of L`},
		{"308 K", Written.Celsius, `unit "K" is not one of C, F`},
		{"95 L", Written.Celsius, `unit "L" is not one of C, F`},
		{"95 in-lb", Written.Celsius, "is not one of C, F"},
		{"65 mL", Written.Kilograms, `unit "mL" is not one of kg, g, lb, oz`},
		{"165 lb", Written.NewtonMetres, `unit "lb" is not one of N·m, in-lb, lb-in, ft-lb, lb-ft`},
	} {
		if got, err := c.convert(Written(c.written)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s is %g, %v; want %q", c.written, got, err, c.want)
		}
	}
}

// TestPreferredUnits prints amounts in a shop's own units, rounded to what matters.
func TestPreferredUnits(t *testing.T) {
	for _, c := range []struct {
		got, want string
	}{
		{Metric.Volume(3.9746823732), "3.97 L"}, {Metric.Volume(0.249), "249 mL"}, {Metric.Volume(0.25), "0.25 L"}, {Metric.Volume(1), "1.00 L"},
		{US.Volume(3.9746823732), "4.20 qt"}, {US.Volume(0.946352946), "1.00 qt"},
		{US.Volume(0.1), "3.4 fl oz"}, // 0.1 / 0.0295735
		{Imperial.Volume(3.97782875), "7.00 pt imp"},
		{Imperial.Volume(0.1), "3.5 fl oz imp"}, // 0.1 / 0.0284131
		{Metric.Mass(0.065), "65 g"}, {Metric.Mass(1.25), "1.25 kg"},
		{US.Mass(0.05669904625), "2.0 oz"}, {Imperial.Mass(0.45359237), "1.00 lb"},
		{US.Temperature(35), "95 °F"},
		{US.Temperature(35, 45), "95 to 113 °F"},
		{US.Temperature(39.5), "103 °F"}, // 71.1 + 32
		{Metric.Temperature(65.55), "65.6 °C"},
		{Imperial.Temperature(35), "35 °C"},
		{Metric.Torque(14.91399743), "14.9 N·m"},
		{US.Torque(14.91399743), "132 in-lb"}, // 11 foot pounds
		{US.Torque(27.11635897), "20.0 ft-lb"},
		{Metric.Volume(12.34), "12.3 L"}, {Metric.Volume(math.NaN()), "– L"}, {Metric.Volume(-0.0001), "0 mL"},
		{US.FlowUnit().Text(1.892705892), "2.0 qt/min"},
		{Imperial.Torque(18.64249679), "13.8 ft-lb"}, // 165 / 12 = 13.75
		{US.Torque(18.6), "165 in-lb"},               // 18.6 × 8.85074579
		{US.Torque(10), "89 in-lb"},
		{Imperial.Volume(0.56826125), "1.00 pt imp"},
		{Imperial.Volume(0.142), "5.0 fl oz imp"},
		{Metric.Volume(0.0473176473), "47 mL"}, // a tenth of a US pint
		{US.Volume(8.517176514 - 1e-9), "9.00 qt"},
		{Metric.Temperature(15 + 5.0/9), "15.6 °C"},
		{Imperial.Torque(1.3558179483314), "1.0 ft-lb"},
	} {
		if c.got != c.want {
			t.Errorf("%s, want %s", c.got, c.want)
		}
	}
	for text, want := range map[string]System{"": Metric, "metric": Metric, "us": US, "imperial": Imperial} {
		if got, err := ParseSystem(text); got != want || err != nil {
			t.Errorf("%q is %q, %v", text, got, err)
		}
	}
	if _, err := ParseSystem("US"); err == nil || !strings.Contains(err.Error(), `"US" is not one of metric, us, imperial`) {
		t.Errorf("US: %v", err)
	}
}
