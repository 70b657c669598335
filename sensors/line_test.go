package sensors

import (
	"errors"
	"math"
	"strings"
	"testing"

	"bayfill/fillcalc"
)

// Exact factors to kilograms: NIST SP 811 (2008), Appendix B. Go evaluates constant
// expressions exactly and rounds once, to the expected value.
const (
	kgPerLb = 0.45359237
	kgPerOz = 0.028349523125
)

// Usual lines: header, header, value, unit; or value and unit. Common practice, no
// source; ten unrelated public parsers expect such lines.
func TestLines(t *testing.T) {
	const (
		status = "status-kind-value-unit"
		plain  = "value-unit"
		still  = fillcalc.Stable
		moving = fillcalc.InMotion
		silent = fillcalc.StabilityUnknown
	)
	noMatch := bad(fillcalc.FaultFrame, "line", 0)
	tests := []struct {
		line    string
		pattern string
		o       Options
		want    outcome
	}{
		{"ST,GS,+0001.250kg", status, Options{}, good(1.25, still)},
		{"US,NT,-  0.005 kg", status, Options{}, good(-0.005, moving)},
		{"OL,GS,+ 99999kg", status, Options{}, bad(fillcalc.FaultOverload, "overload", 0)},
		{"UL,GS,-    9 kg", status, Options{}, bad(fillcalc.FaultUnderload, "underload", 0)},
		{"ST,GS,+00045.0kg", status, Options{}, good(45, still)},
		{"ST,GS, 12.345 kg", status, Options{}, good(12.345, still)},
		{"ST,GS,+0012500kg", status, Options{Decimals: 3}, good(12.5, still)},
		{"ST,GS,+0012500kg", status, Options{}, good(12500, still)}, // as stated, never guessed
		{"ST,GS,+0012500kg", status, Options{CapacityKg: 30}, bad(fillcalc.FaultOverload, "value", 6)},
		{"ST,GS,+012.500kg", status, Options{Decimals: 3}, good(12.5, still)}, // a decimal point in the line wins
		{"ST,GS,+0001,250kg", status, Options{}, good(1.25, still)},
		{"ST,GW,+0001.250kg", status, Options{}, good(1.25, still)},
		{"ST,NW,+0001.250kg", status, Options{}, good(1.25, still)},
		{"STGS+0001.250kg", status, Options{}, good(1.25, still)},
		{"ST, GS, +0001.250 kg", status, Options{}, good(1.25, still)},
		{"ST,GS,-0000.000kg", status, Options{}, good(0, still)},
		{"ST,GS,+0001.250", status, Options{Unit: "kg"}, good(1.25, still)},
		{"ST,GS,+0001.250", status, Options{}, bad(fillcalc.FaultNoUnit, "unit", 15)},
		{"ST,GS,+2.500lb", status, Options{}, good(2.5*kgPerLb, still)},
		{"ST,GS,+2.500lbs", status, Options{}, good(2.5*kgPerLb, still)},
		{"ST,GS,+0001.250KG", status, Options{}, good(1.25, still)},
		{"ST,GS,+2.500LBS", status, Options{}, good(2.5*kgPerLb, still)},
		{"st,GS,+0001.250kg", status, Options{}, noMatch},       // units only
		{"QT,GS,+    42", status, Options{Unit: "kg"}, noMatch}, // a count of pieces, not a weight
		{"ST,TR,+0001.250kg", status, Options{}, noMatch},       // a tare
		{"ST,GS,+0001.250kgST,GS,+0001.250kg", status, Options{}, noMatch},
		{"T,GS,+0001.250kg", status, Options{}, noMatch},
		{"ST,GS,+0001.2x0kg", status, Options{}, noMatch},
		{"ST,GS,+000\x00.250kg", status, Options{}, bad(fillcalc.FaultChecksum, "line", 10)},
		{"\x00ST,GS,+0001.250kg", status, Options{}, bad(fillcalc.FaultChecksum, "line", 0)},
		{"\xffST,GS,+0001.250kg", status, Options{}, noMatch},
		{"", status, Options{}, noMatch},
		{"ST,GS,+001.250kg", status, Options{Width: 17}, bad(fillcalc.FaultFrame, "line", 16)},
		{"ST,GS,+00001.250kg", status, Options{Width: 17}, bad(fillcalc.FaultFrame, "line", 18)},
		{"ST,GS,+0001.250kg", status, Options{Width: 17}, good(1.25, still)},

		{"  1.250 kg", plain, Options{}, good(1.25, silent)},
		{"  1.250 kg ?", plain, Options{}, good(1.25, moving)},
		{"  1.250 kg M", plain, Options{}, good(1.25, moving)},
		{"  1.250    ?", plain, Options{Unit: "kg"}, good(1.25, moving)},
		{"  1.250", plain, Options{Unit: "kg"}, good(1.25, silent)},
		{"  1.250", plain, Options{}, bad(fillcalc.FaultNoUnit, "unit", 7)},
		{"- 1.250kg", plain, Options{}, good(-1.25, silent)},
		{"1250 g", plain, Options{}, good(1.25, silent)},
		{"16 oz", plain, Options{}, good(16*kgPerOz, silent)},
		{"0.1 oz", plain, Options{}, good(0.1*kgPerOz, silent)},
		{"0.1 lb", plain, Options{}, good(0.1*kgPerLb, silent)},
		{"66.139 lb", plain, Options{}, good(66.139*kgPerLb, silent)},
		{"0.3 g", plain, Options{}, good(0.0003, silent)},
		{"  1.250 KG", plain, Options{}, good(1.25, silent)},
		{"  1.250 Kg M", plain, Options{Unit: "kg"}, good(1.25, moving)},
		{"1250 G", plain, Options{}, good(1.25, silent)},
		{"0.1 LB", plain, Options{}, good(0.1*kgPerLb, silent)},
		{"0.1 Lbs", plain, Options{}, good(0.1*kgPerLb, silent)},
		{"16 OZ", plain, Options{}, good(16*kgPerOz, silent)},
		// Not a unit here: a tonne is too coarse for a cart, and T means nothing else.
		{"1.250 t", plain, Options{}, noMatch},
		{"1.250 T", plain, Options{}, noMatch},
		{"1.250 \u212ag", plain, Options{}, bad(fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", 6)}, // the sign for kelvin, not a K
		{"12345678901234567 oz", plain, Options{}, bad(fillcalc.FaultFrame, "value", 0)},            // more than an int64 holds
		{"1234567890123456789 kg", plain, Options{}, bad(fillcalc.FaultFrame, "value", 0)},
		{"1e3 kg", plain, Options{}, noMatch},
		{"NaN kg", plain, Options{}, noMatch},

		{"+0001.250", "value", Options{Unit: "kg"}, good(1.25, silent)},
		{" -   1250 ", "value", Options{Unit: "g"}, good(-1.25, silent)},
		{"+0001.250", "value", Options{}, bad(fillcalc.FaultNoUnit, "unit", 9)},
		{"+0001.250kg", "value", Options{Unit: "kg"}, noMatch},
	}
	for _, test := range tests {
		o := test.o
		o.Quantity, o.Pattern = Weight, test.pattern
		p := mustNew(t, "line", o)
		r, err := p.Parse([]byte(test.line))
		same(t, []byte(test.line), Weight, r, err, test.want)
	}
}

// The unit in the frame travels with the value and wins; a different configured
// unit is a fault bit. Factors: NIST SP 811 (2008), Appendix B.
func TestUnitRule(t *testing.T) {
	shown := map[string]float64{"kg": 2.5, "g": 0.0025, "lb": 2.5 * kgPerLb, "oz": 2.5 * kgPerOz}
	for framed, kg := range shown {
		for _, configured := range []string{"", "kg", "g", "lb", "oz"} {
			p := mustNew(t, "line", Options{Quantity: Weight, Pattern: "value-unit", Unit: configured})
			want := good(kg, fillcalc.StabilityUnknown)
			if configured != "" && configured != framed {
				want.faults = fillcalc.FaultUnit
			}
			frame := []byte("2.5 " + framed)
			r, err := p.Parse(frame)
			same(t, frame, Weight, r, err, want)
			if err != nil || r.Faults.Hidden() {
				t.Errorf("%s configured, %q: a contradiction must not hide the value: %v", configured, frame, err)
			}
		}
	}
	// 74.21 °F = 23.45 °C and 296.60 K = 23.45 °C (NIST SP 811, 2008, B.8: exact).
	for framed, text := range map[string]string{"C": "23.45 C", "F": "74.21 F", "K": "296.60 K"} {
		for _, configured := range []string{"", "C", "F", "K"} {
			p := mustNew(t, "line", Options{Quantity: Temperature, Pattern: "temperature", Unit: configured})
			r, err := p.Parse([]byte(text))
			sound(t, []byte(text), Temperature, r, err)
			if err != nil || math.Abs(r.Value-23.45) > 4e-15 { // one unit in the last place
				t.Errorf("%q: %.17g, %v", text, r.Value, err)
			}
			if contradiction := configured != "" && configured != framed; (r.Faults == fillcalc.FaultUnit) != contradiction {
				t.Errorf("%q with %q configured: faults %v", text, configured, r.Faults.Names())
			}
		}
	}
	for _, unit := range []string{"t", "lbs.", "kilogram", "C"} {
		if _, err := New("sma", Options{Quantity: Weight, Unit: unit}); err == nil || !strings.HasPrefix(err.Error(), "unit:") {
			t.Errorf("unit %q: %v", unit, err)
		}
	}
}

// Degree signs as UTF-8 and as the single byte of Latin-1. Common practice.
func TestTemperatureLines(t *testing.T) {
	sensor := func(at int) outcome { return bad(fillcalc.FaultSensor, "value", at) }
	tests := []struct {
		line string
		unit string
		want outcome
	}{
		{"+023.45 C", "", good(23.45, 0)},
		{"23.45\u00b0C", "", good(23.45, 0)},
		{"23.45 \xb0C", "", good(23.45, 0)},
		{"23.45 c", "", good(23.45, 0)},
		{"59\xb0f", "", good(15, 0)},
		{"273.15 k", "", good(0, 0)},
		{"23,45", "C", good(23.45, 0)},
		{"23.45", "", bad(fillcalc.FaultNoUnit, "unit", 5)},
		{"23.45 R", "C", bad(fillcalc.FaultFrame, "line", 0)},
		// The range of fluids in a workshop, both ends included. (Own choice.)
		{"-60", "C", good(-60, 0)},
		{"250.0", "C", good(250, 0)},
		{"-60.01", "C", sensor(0)},
		{" 250.01", "C", sensor(1)},
		{"-76", "F", good(-60, 0)},
		{"482", "F", good(250, 0)},
		{"483", "F", sensor(0)},
		{"213.15", "K", good(-60, 0)},
		{"0", "K", sensor(0)},
		{"523.16", "K", sensor(0)},
		// Values that often stand for open and shorted probes. (Common practice.)
		{"850", "C", sensor(0)},
		{"-200.0", "C", sensor(0)},
		{"-327.68", "C", sensor(0)},
	}
	for _, test := range tests {
		p := mustNew(t, "line", Options{Quantity: Temperature, Pattern: "temperature", Unit: test.unit})
		r, err := p.Parse([]byte(test.line))
		same(t, []byte(test.line), Temperature, r, err, test.want)
	}
}

// Instruments blank their display nine steps above capacity (OIML R 76-1, 4.2.3);
// the decoder allows a tenth. The limits here are 1.1 times 30 kg.
func TestCapacity(t *testing.T) {
	p := mustNew(t, "line", Options{Quantity: Weight, Pattern: "value-unit", CapacityKg: 30})
	over := bad(fillcalc.FaultOverload, "value", 0)
	for line, want := range map[string]outcome{
		"32.999 kg":  good(32.999, 0),
		"33.001 kg":  over,
		"-32.999 kg": good(-32.999, 0),
		"-33.001 kg": over,
		"33001 g":    over,
		"72.5 lb":    good(72.5*kgPerLb, 0), // 32.885 kg
		"73 lb":      over,                  // 33.112 kg
	} {
		r, err := p.Parse([]byte(line))
		same(t, []byte(line), Weight, r, err, want)
	}
}

// kg = (counts - counts_at_zero) × kg_per_count.
func TestCounts(t *testing.T) {
	tests := []struct {
		line string
		o    Options
		want outcome
	}{
		{"8388607", Options{KgPerCount: 0.25, CountsAtZero: 8388600}, good(1.75, 0)},
		{"8388607", Options{KgPerCount: -0.25, CountsAtZero: 8388600}, good(-1.75, 0)},
		{"- 100", Options{KgPerCount: 0.5}, good(-50, 0)},
		{" +0000100 ", Options{KgPerCount: 0.5}, good(50, 0)},
		{"  200", Options{KgPerCount: 0.5, CapacityKg: 30}, bad(fillcalc.FaultOverload, "counts", 2)},
		{"- 200", Options{KgPerCount: 0.5, CapacityKg: 30}, bad(fillcalc.FaultOverload, "counts", 0)},
		{"100kg", Options{KgPerCount: 0.5}, bad(fillcalc.FaultFrame, "line", 0)},
		{"99999999999999999999", Options{KgPerCount: 0.5}, bad(fillcalc.FaultFrame, "value", 0)},
		{"9999999999", Options{KgPerCount: 1e300}, bad(fillcalc.FaultFrame, "counts", 0)}, // beyond a float64
		// A user's own pattern may match a decimal point: it must count as one.
		{"83.5", Options{Pattern: `(?P<counts>[\d.]+)`, KgPerCount: 2}, good(167, 0)},
	}
	for _, test := range tests {
		o := test.o
		o.Quantity = Weight
		if o.Pattern == "" {
			o.Pattern = "counts"
		}
		p := mustNew(t, "line", o)
		r, err := p.Parse([]byte(test.line))
		same(t, []byte(test.line), Weight, r, err, test.want)
	}
}

// Each ready-made pattern reads the example that documents it.
func TestPatternExamples(t *testing.T) {
	want := map[string]float64{"status-kind-value-unit": 1.25, "value-unit": 1.25, "value": 1.25, "counts": 8388607, "temperature": 23.45}
	for _, pattern := range Patterns {
		o := Options{Quantity: Weight, Pattern: pattern.Name, Unit: "kg", KgPerCount: 1}
		if pattern.Name == "temperature" {
			o.Quantity, o.Unit = Temperature, "C"
		}
		value, ok := want[pattern.Name]
		if !ok {
			t.Errorf("%s: no expectation", pattern.Name)
			continue
		}
		p := mustNew(t, "line", o)
		r, err := p.Parse([]byte(pattern.Example))
		sound(t, []byte(pattern.Example), o.Quantity, r, err)
		if err != nil || r.Value != value {
			t.Errorf("%s: %q is %g, %v", pattern.Name, pattern.Example, r.Value, err)
		}
	}
}

// A user's own regular expression with every group. The line is invented.
func TestOwnPattern(t *testing.T) {
	const own = `#\d\d (?:(?P<stable>S)|(?P<motion>D)|(?P<overload>\+{3})|(?P<underload>-{3})) (?P<value>[-+]?[\d.]*)(?: (?P<unit>\w+))?;`
	p := mustNew(t, "line", Options{Quantity: Weight, Pattern: own, Unit: "kg"})
	for line, want := range map[string]outcome{
		"#01 S 2.5;":       good(2.5, fillcalc.Stable),
		"#01 D 2.5 kg;":    good(2.5, fillcalc.InMotion),
		"#01 D 2.5 lb;":    {value: 2.5 * kgPerLb, stability: fillcalc.InMotion, faults: fillcalc.FaultUnit},
		"#01 +++ 2.5;":     bad(fillcalc.FaultOverload, "overload", 4),
		"#01 --- 2.5;":     bad(fillcalc.FaultUnderload, "underload", 4),
		"#01 S ;":          bad(fillcalc.FaultFrame, "value", 6),
		"#01 S 2.5.1;":     bad(fillcalc.FaultFrame, "value", 6),
		"#01 S 2.5 stone;": bad(fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", 10),
		"#01 S 2.5; ":      bad(fillcalc.FaultFrame, "line", 0), // the whole line must match
		"x#01 S 2.5;":      bad(fillcalc.FaultFrame, "line", 0),
	} {
		r, err := p.Parse([]byte(line))
		same(t, []byte(line), Weight, r, err, want)
	}
	// A value group that took no part in the match is not a value.
	p = mustNew(t, "line", Options{Quantity: Weight, Pattern: `idle|(?P<value>\d+)`, Unit: "kg"})
	r, err := p.Parse([]byte("idle"))
	same(t, []byte("idle"), Weight, r, err, bad(fillcalc.FaultFrame, "value", 0))
}

func TestLineOptions(t *testing.T) {
	tests := []struct {
		option string
		o      Options
	}{
		{"pattern", Options{}},
		{"pattern", Options{Pattern: "status-kind"}},
		{"pattern", Options{Pattern: `\d+`}},
		{"pattern", Options{Pattern: `(?P<value>\d+`}},
		{"pattern", Options{Pattern: `(?P<weight>\d+)`}},
		{"pattern", Options{Pattern: `(?P<unit>kg)`}},
		{"pattern", Options{Pattern: `(?P<value>\d+)(?P<counts>\d+)`, KgPerCount: 1}},
		{"pattern", Options{Pattern: `(?P<value>\d+)(?P<value>\d+)`}},
		{"kg_per_count", Options{Pattern: "counts"}},
		{"kg_per_count", Options{Pattern: "counts", KgPerCount: math.NaN()}},
		{"kg_per_count", Options{Pattern: "counts", KgPerCount: math.Inf(1)}},
		{"kg_per_count", Options{Pattern: "counts", Quantity: Temperature, KgPerCount: 1}},
		{"counts_at_zero", Options{Pattern: "counts", KgPerCount: 1, CountsAtZero: math.NaN()}},
		{"capacity_kg", Options{Pattern: "value", CapacityKg: math.NaN()}},
		{"decimals", Options{Pattern: "value", Decimals: -1}},
		{"decimals", Options{Pattern: "value", Decimals: 10}},
		{"width", Options{Pattern: "value", Width: maxLineBytes + 1}},
		{"", Options{Pattern: "value", Width: maxLineBytes, Decimals: 9}},
		{"", Options{Pattern: `(?<value>\d+)`}},
	}
	for i, test := range tests {
		if test.o.Quantity == 0 {
			test.o.Quantity = Weight
		}
		p, err := New("line", test.o)
		if test.option == "" {
			if err != nil || !p.SkipFirst || p.Poll != nil || p.Start != nil {
				t.Errorf("%d: %+v, %v", i, p, err)
			}
			continue
		}
		if err == nil || !strings.HasPrefix(err.Error(), test.option) {
			t.Errorf("%d: %v, want an error about %s", i, err, test.option)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	if _, err := New("sma", Options{}); err == nil || !strings.HasPrefix(err.Error(), "quantity:") {
		t.Errorf("no quantity: %v", err)
	}
	_, err := New("modubs", Options{Quantity: Weight})
	var refused *fillcalc.Refusal
	if !errors.As(err, &refused) || refused.Field != "protocol" {
		t.Fatalf("unknown protocol: %v", err)
	}
	for _, p := range Protocols {
		if !strings.Contains(refused.Names["choices"], p.Name) {
			t.Errorf("%q does not name %s", refused.Names, p.Name)
		}
	}
	// All options that are wrong are named at once.
	_, err = New("modbus", Options{Quantity: Weight, Unit: "stone", CapacityKg: math.Inf(1), Type: "int8", Order: "DABC", Exponent: 10})
	for _, option := range []string{"unit:", "capacity_kg:", "unit_id:", "type:", "order:", "exponent:"} {
		if err == nil || !strings.Contains(err.Error(), option) {
			t.Errorf("%s is not in %v", option, err)
		}
	}
}
