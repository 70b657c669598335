package points

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/fillcalc"
)

// Events are written as the lines here, which were made by hand.
func TestLines(t *testing.T) {
	e := fillcalc.Event{Seq: 7, AtNs: 1_700_000_000_000_000_001, Kind: fillcalc.KindWeight, Sensor: "caddy", N: 3, Value: 3, Stability: fillcalc.Stable}
	for _, c := range []struct {
		change func(*fillcalc.Event)
		want   string
	}{
		{func(*fillcalc.Event) {}, `bayfill_reading,shop=test,cart=cart,sensor=caddy kg=3e+00,stability=1i,n=3i,seq=7i 1700000000000000001`},
		{func(e *fillcalc.Event) { e.Kind, e.Value = fillcalc.KindTemperature, 21.5 }, `bayfill_reading,shop=test,cart=cart,sensor=caddy c=2.15e+01,stability=1i,n=3i,seq=7i 1700000000000000001`},
		{func(e *fillcalc.Event) { e.Faults = fillcalc.FaultChecksum }, `bayfill_reading,shop=test,cart=cart,sensor=caddy kind=1i,stability=1i,faults=4i,n=3i,seq=7i 1700000000000000001`},
		{func(e *fillcalc.Event) {
			e.Kind, e.Input = fillcalc.KindInput, &fillcalc.Input{Do: fillcalc.DoAbandon, Why: "a \"b\" \\ \n"}
		}, `bayfill_input,shop=test,cart=cart body="{\"do\":\"abandon\",\"why\":\"a \\\"b\\\" \\\\ \\n\"}",seq=7i 1700000000000000001`},
	} {
		changed := e
		c.change(&changed)
		if got, err := Line("test", "cart", &changed, nil); err != nil || got != c.want {
			t.Errorf("%v\n got %s\nwant %s", err, got, c.want)
		}
	}
}

// Any text stays one line, and JSON is read back unchanged by the rules of line
// protocol: in a quoted string, a backslash escapes a quote and a backslash.
func FuzzTextField(f *testing.F) {
	f.Add("plain")
	f.Add("{\"a\":\"\\\"\\n\"}")
	f.Add("\n\r\t\x00\\\"")
	f.Fuzz(func(t *testing.T, text string) {
		var fs fields
		fs.text("body", text)
		line := string(fs.b)
		if text == "" && line == "" {
			return
		}
		if strings.ContainsAny(line, "\n\r\t") {
			t.Fatalf("%q does not stay one line", line)
		}
		quoted, ok := strings.CutPrefix(line, `body="`)
		if !ok || !strings.HasSuffix(quoted, `"`) {
			t.Fatalf("%q is not quoted", line)
		}
		quoted = strings.TrimSuffix(quoted, `"`)
		var back strings.Builder
		for i := 0; i < len(quoted); i++ {
			if quoted[i] == '"' {
				t.Fatalf("%q ends early", line)
			}
			if quoted[i] == '\\' {
				i++
				if i == len(quoted) || quoted[i] != '\\' && quoted[i] != '"' {
					t.Fatalf("%q holds a wrong escape", line)
				}
			}
			back.WriteByte(quoted[i])
		}
		want := bridgetest.OneLine.Replace(strings.ToValidUTF8(text, "\uFFFD"))
		if back.String() != want {
			t.Fatalf("%q came back as %q", want, back.String())
		}
	})
}

// Floats are read back bit for bit and never look like integers (the first type of a
// field stays its type in the server). NaN and infinities are left out.
func TestFloatsInLines(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	floats := []float64{0, math.Copysign(0, -1), 1, -7, 1e15, 1 << 53, 5e-324, math.MaxFloat64, 0.1, 1.0 / 3}
	for range 10000 {
		floats = append(floats, math.Float64frombits(rng.Uint64()))
	}
	for _, f := range floats {
		fs := fields{b: []byte("before=1i")}
		fs.float("x", f)
		text, there := strings.CutPrefix(string(fs.b), "before=1i,x=")
		if no := math.IsNaN(f) || math.IsInf(f, 0); no || !there {
			if no == there {
				t.Fatalf("%v is written as %s", f, fs.b)
			}
			continue
		}
		back, err := strconv.ParseFloat(text, 64)
		if err != nil || math.Float64bits(back) != math.Float64bits(f) || !strings.Contains(text, "e") {
			t.Fatalf("%v is written as %s", f, text)
		}
	}
}

// A closing record holds the first check of each kind that the job brings, with expanded
// uncertainties and the scale. A job that brings none has no such field.
func TestChecksInTheClosingRecord(t *testing.T) {
	list := []fillcalc.UseCheck{
		{Kind: fillcalc.CheckSlope, Sensor: "supply", Fluid: "amber 6", Value: 0.004, U: 0.01},
		{Kind: fillcalc.CheckSlope, Sensor: "other", Fluid: "amber 6", Value: 0.002, U: 0.01},
		{Kind: fillcalc.CheckZero, Sensor: "caddy", Value: -0.03, U: 0.0125},
		{Kind: fillcalc.CheckBalance, Fluid: "amber 6", Value: 0.02, U: 0.0375},
	}
	const want = `check_slope=4e-03,check_slope_u=2e-02,check_slope_sensor="supply",` +
		`check_zero_kg=-3e-02,check_zero_u_kg=2.5e-02,check_zero_sensor="caddy",check_balance=2e-02,check_balance_u=7.5e-02`
	var f fields
	if f.checks(list); string(f.b) != want {
		t.Errorf("got  %s\nwant %s", f.b, want)
	}
	s := fillcalc.State{}
	s.Job.Phase = fillcalc.Closed
	if p := Summary(&s, Chain{}, "test", nil); strings.Contains(p.Fields, "check_") {
		t.Errorf("a job without checks: %s", p.Fields)
	}

	// A played job: a full litre of fluid that weighs 843 g was taken from the supply.
	s.ScaleN = 1
	s.Scales[0].Setup = fillcalc.ScaleSetup{Sensor: "supply", Load: fillcalc.SupplyLoad}
	s.Job.Spec = fillcalc.JobSpec{BottleL: 1, Fresh: fillcalc.Fluid{Model: fillcalc.Oil1980, DensityKgM3: 843, AtC: 20}}
	s.Job.FreshKgM3, s.Job.FreshFactor, s.Job.EmptyKg = 843, 1, 0.064
	s.Job.Changes = []fillcalc.Change{{ID: 1, Sensor: "supply", Cause: fillcalc.Sudden, Kg: -0.9, As: fillcalc.AsBottle}}
	fields, err := ParseFields(Summary(&s, Chain{}, "test", nil).Fields)
	if err != nil {
		t.Fatal(err)
	}
	slope, _ := fields["check_slope"].(float64)
	if want := 0.9/(0.843+0.064-0.009) - 1; math.Abs(slope-want) > 1e-12 || fields["check_slope_sensor"] != "supply" || fields["check_zero_kg"] != nil || fields["check_balance"] != nil {
		t.Errorf("slope %g, want %g: %v", slope, want, fields)
	}
}

// The contract's whole numbers are integers, and all its other numbers floats.
func TestWhole(t *testing.T) {
	s := fillcalc.State{Seq: 9}
	s.Job.Spec = fillcalc.JobSpec{ID: "van-1", TypicalL: 4, Fresh: fillcalc.Fluid{Name: "amber 6"}}
	s.Setup.Scales = []fillcalc.ScaleSetup{{Load: fillcalc.CaddyLoad, Calibration: &fillcalc.ScaleCalibration{AtNs: 5e9, Slope: 1.0001}}}
	reading := func(k fillcalc.Kind, faults fillcalc.Faults) string {
		_, fields, err := fieldsOf(&fillcalc.Event{Seq: 9, Kind: k, Value: 5, N: 1, Stability: 1, Faults: faults}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return fields
	}
	numbers := 0
	for _, text := range []string{
		Summary(&s, Chain{}, "test", nil).Fields, Volumes(&s).Fields, Window(&s).Fields,
		reading(fillcalc.KindWeight, 0), reading(fillcalc.KindTemperature, 0), reading(fillcalc.KindWeight, 255),
	} {
		fields, err := ParseFields(text)
		if err != nil {
			t.Fatal(err)
		}
		for name, v := range fields {
			_, isFloat := v.(float64)
			_, isInt := v.(int64)
			if isInt != Whole(name) && (isInt || isFloat) {
				t.Errorf("%s is %T", name, v)
			}
			if isInt || isFloat {
				numbers++
			}
		}
	}
	if numbers < 25 {
		t.Errorf("only %d numbers", numbers)
	}
}
