package config

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// The examples match the example configuration, and together they contain every key.
func TestExampleServiceData(t *testing.T) {
	c, err := Load(bridgetest.Testdata(t, "config", "bayfill.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	all, err := ReadServiceData(bridgetest.Testdata(t, "service-data"), c.FluidsByName())
	if err != nil || len(all) != 3 {
		t.Fatalf("%d read, %v", len(all), err)
	}
	var text strings.Builder
	for _, d := range all {
		file, err := os.ReadFile(d.File)
		if err != nil {
			t.Fatal(err)
		}
		text.Write(file)
	}
	for _, key := range yamlKeys(reflect.TypeFor[ServiceData]()) {
		if !strings.Contains(text.String(), key+":") {
			t.Errorf("no example has the key %s", key)
		}
	}

	near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }
	van := all["van6-overflow"]
	spec := van.Spec()
	// 4.2 and 9.1 times 0.946352946 L, 2 times 0.028349523125 kg, 63 and 81 times 5/9 °C, 97 times 0.1129848290276 N·m.
	if !near(spec.TypicalL, 3.9746823732) || !near(spec.TotalL, 8.6118118086) || !near(spec.BottleL, 0.946352946) || !near(spec.EmptyBottleKg, 0.05669904625) ||
		spec.LowC != 35 || spec.HighC != 45 || spec.FirstFill != 0.8 || spec.Check != fillcalc.ByOverflow ||
		spec.AskedFluid != "amber 6" || spec.Vehicle != "panel van, long, 2.0" || !near(van.BoltTorque.NM, 10.9595284157) {
		t.Errorf("van: %+v, torque %v", spec, van.BoltTorque)
	}
	if van.Typical.Written != "4.2 qt" || van.Window.Low.Written != "95 F" || strings.Contains(van.Note, "\n") {
		t.Errorf("van: %+v", van)
	}
	if spec = all["estate5-dipstick"].Spec(); spec.BetweenMarksL != 0.35 || spec.FirstFill != 0.75 || spec.Check != fillcalc.ByDipstick {
		t.Errorf("estate: %+v", spec)
	}
	if spec = all["saloon4-dipstick"].Spec(); spec.TotalL != 0 || spec.FirstFill != 0.8 || !near(spec.TypicalL, 3.97782875) {
		t.Errorf("saloon: %+v", spec)
	}
}

// amber is a fluid whose density is known only up to 60 °C.
var amber = map[string]fillcalc.Fluid{"amber": {Name: "amber", Model: fillcalc.DensityPoints,
	Points: []fillcalc.DensityPoint{{C: 0, KgM3: 860}, {C: 60, KgM3: 820}}}}

// The error of every kind of mistake names the line and the field and says what would be
// right.
func TestServiceDataMistakes(t *testing.T) {
	if _, err := parseServiceData([]byte(bridgetest.SmallServiceData), amber); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{bridgetest.SmallServiceData, "", "the file is empty"},
		{bridgetest.SmallServiceData, "- a\n", "line 1"},
		{"source: a sheet\n", "source: a sheet\n---\nname: b\n", "second document"},
		{"typical:", "typcal:", `line 4: unknown key "typcal", did you mean "typical"?`},
		{"high: 113 F", "hihg: 113 F", `line 8: unknown key "hihg", did you mean "high"?`},
		{"name:", "xylophone_mode: 1\nname:", `line 1: unknown key "xylophone_mode"`},
		{"bottle: 1 qt\n", "bottle: 1 qt\nbottle: 1 L\n", "line 11"},
		{"typical: 4.2 qt", "typical: [4.2 qt]", "line 4: \"[\" must be a text"},
		{"window: {low: 95 F, high: 113 F}", "window: 95 F", "line 8"},
		{"source:", "first_fill: most\nsource:", `line 11: "most" must be a number`},

		{"name: van6", "name: Van 6", `line 1: name: "Van 6" must be 1 to 32 of the characters a-z 0-9 - _`},
		{"name: van6\n", "", `name: "" must be`},
		{"transmission: 6 speeds\n", "", "transmission: is missing: say which variant"},
		{"fluid: amber\n", "", "fluid: is missing"},
		{"source: a sheet\n", "", "source: is missing: say where"},
		{"source: a sheet", "source: ' '", "line 11: source: is missing"},
		{"source: a sheet", "source: \"a\\e[2Jsheet\"", "line 11: source: \"a\\x1b[2Jsheet\" must contain printable characters only"},
		{"source: a sheet", "source: a \xff sheet", "line 11: source: "},
		{"source: a sheet", "source: " + strings.Repeat("a", 201), "line 11: source: has 201 bytes, at most 200 are allowed"},
		{"check: dipstick\n", "", "check: is missing: say how the level is judged, dipstick, overflow"},
		{"check: dipstick", "check: plug", `line 6: check: "plug" is not one of dipstick, overflow`},
		{"low: 95 F, ", "", "line 8: window.low: is missing"},
		{", high: 113 F", "", "line 8: window.high: is missing"},

		{"typical: 4.2 qt", "typical: 4.2", `line 4: typical: "4.2" is not understood: write an amount with its unit, such as 4 qt`},
		{"typical: 4.2 qt", "typical: 4.2 quarks", `line 4: typical: "4.2 quarks" is not understood: write an amount with its unit, such as 4 qt; units are L, mL, qt`},
		{"typical: 4.2 qt", "typical: 42 gal", "line 4: typical: 42 gal is 159 L: it must be from 0.2 to 100 L"},
		{"total: 9.1 qt", "total: 91 mL", "line 5: total: 91 mL is 0.091 L: it must be from 0.5"},
		{"between_marks: 1 pt", "between_marks: 0 pt", "line 7: between_marks: 0 pt is 0 L: it must be from 0.02 to 5 L"},
		{"between_marks: 1 pt", "between_marks: -1 pt", "line 7: between_marks: -1 pt is -0.4732 L"},
		{"bottle: 1 qt", "bottle: 1000 gal", "line 10: bottle: 1000 gal is 3785 L: it must be from 0.05 to 250 L"},
		{"source:", "empty_bottle: 65 L\nsource:", `line 11: empty_bottle: "65 L" is not understood: write an amount with its unit, such as 2 oz; units are kg, g, lb, oz`},
		{"source:", "empty_bottle: 65 kg\nsource:", "line 11: empty_bottle: 65 kg is 65 kg: it must be from 0.005 to 5 kg"},
		{"low: 95 F", "low: 35 F", "line 8: window.low: 35 F is 1.667 °C: it must be from 15 to 130 °C"},
		{"high: 113 F", "high: 450 C", "line 8: window.high: 450 C is 450 °C"},
		{"low: 95 F", "low: 95", "line 8: window.low: \"95\" is not understood"},
		{"bolt_torque: 97 in-lb", "bolt_torque: 97 ft-lb", "line 9: bolt_torque: 97 ft-lb is 131.5 N·m: it must be from 2 to 60 N·m"},
		{"bolt_torque: 97 in-lb", "bolt_torque: 97 lb", `line 9: bolt_torque: "97 lb" is not understood`},
		{"source:", "first_fill: 0\nsource:", "line 11: first_fill: 0 must be from 0.3 to 1: the fraction of the target"},
		{"source:", "first_fill: 80\nsource:", "line 11: first_fill: 80 must be from 0.3 to 1"},
		{"source:", "first_fill: .nan\nsource:", "line 11: first_fill: NaN"},

		{"check: dipstick", "check: overflow", "line 7: between_marks: an overflow opening has no marks"},
		{"typical: 4.2 qt", "typical: 8.7 L", "line 4: typical: 8.7 L must not be more than the total of 9.1 qt"},
		{"total: 9.1 qt", "total: 4.1 qt", "line 4: typical: 4.2 qt must not be more than the total of 4.1 qt"},
		{"typical: 4.2 qt\ntotal: 9.1 qt\n", "total: 1 pt\nfirst_fill: 1\n", "total: 1 pt is 0.4732 L"},
		{"typical: 4.2 qt\ntotal: 9.1 qt\ncheck: dipstick\nbetween_marks: 1 pt", "total: 2 pt\ncheck: dipstick\nbetween_marks: 1 qt", "line 6: between_marks: 1 qt must be less than the total of 2 pt"},
		{"low: 95 F, high: 113 F", "low: 113 F, high: 95 F", "line 8: window: low 113 F must be below high 95 F"},
		{"low: 95 F", "low: 45 C", "line 8: window: low 45 C must be below high 113 F"},
		{"fluid: amber", "fluid: ruby", `line 3: fluid: "ruby" is not one of the configured fluids, which are amber`},
		{"high: 113 F", "high: 61 C", "line 8: window: the density of amber is unknown there"},
	} {
		if !strings.Contains(bridgetest.SmallServiceData, c.old) {
			t.Fatalf("the small file has no %q", c.old)
		}
		text := strings.Replace(bridgetest.SmallServiceData, c.old, c.new, 1)
		_, err := parseServiceData([]byte(text), amber)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want %q, got %v\nfor\n%s", c.want, err, text)
		}
	}
	if _, err := parseServiceData([]byte(strings.Replace(bridgetest.SmallServiceData, "amber", "ruby", 1)), nil); err != nil {
		t.Errorf("without a configuration any fluid is accepted: %v", err)
	}
}

// The error names every bad file. Good files can be used. Of two files with the same name
// neither is used.
func TestServiceDataFolder(t *testing.T) {
	dir := t.TempDir()
	named := func(name string) string { return strings.Replace(bridgetest.SmallServiceData, "van6", name, 1) }
	for file, text := range map[string]string{
		"a.yaml": named("good"), "b.yml": named("fine"), "README.md": "no data", ".#a.yaml": "?", "a.yaml~": "?",
		"bad1.yaml": strings.Replace(bridgetest.SmallServiceData, "typical", "typcal", 1), "bad2.yaml": "",
		"copy.yaml": named("same"), "original.yaml": named("same"),
	} {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, folder := range []string{"old.yaml", "notes"} {
		if err := os.Mkdir(filepath.Join(dir, folder), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("nowhere", filepath.Join(dir, "gone.yaml")); err != nil {
		t.Fatal(err)
	}
	good, err := ReadServiceData(dir, amber)
	if len(good) != 2 || good["good"].Typical.Written != "4.2 qt" || good["fine"].File != filepath.Join(dir, "b.yml") {
		t.Errorf("good: %+v", good)
	}
	if err == nil {
		t.Fatal("no error")
	}
	bad := err.(interface{ Unwrap() []error }).Unwrap()
	for _, want := range []string{
		filepath.Join(dir, "bad1.yaml") + `: line 4: unknown key "typcal"`,
		filepath.Join(dir, "bad2.yaml") + ": the file is empty",
		filepath.Join(dir, "gone.yaml") + ": no such file",
		filepath.Join(dir, "copy.yaml") + `: name: "same" is used in copy.yaml, original.yaml`,
		filepath.Join(dir, "original.yaml") + `: name: "same" is used in copy.yaml, original.yaml`,
	} {
		if !slices.ContainsFunc(bad, func(err error) bool { return strings.Contains(err.Error(), want) }) {
			t.Errorf("want %q among %v", want, bad)
		}
	}
	if len(bad) != 5 {
		t.Errorf("%d errors: %v", len(bad), bad)
	}
	if all, err := ReadServiceData(filepath.Join(dir, "notes"), nil); len(all) != 0 || err != nil {
		t.Errorf("an empty folder: %v, %v", all, err)
	}
	if _, err := ReadServiceData(filepath.Join(dir, "none"), nil); err == nil || !strings.Contains(err.Error(), "no such file") {
		t.Errorf("no folder: %v", err)
	}
}

// Amounts are shown in preferred units, as written and in SI.
func TestServiceDataShown(t *testing.T) {
	all, err := ReadServiceData(bridgetest.Testdata(t, "service-data"), nil)
	if err != nil {
		t.Fatal(err)
	}
	squeezed := func(rows []string) string { return strings.Join(strings.Fields(strings.Join(rows, " ; ")), " ") }
	for _, c := range []struct {
		name   string
		system units.System
		want   []string
	}{
		{"van6-overflow", units.Metric, []string{"typical refill 3.97 L 4.2 qt 3.975 L", "window from 35 °C 95 F 35.0 °C", "bolt torque 11.0 N·m 97 in-lb 10.96 N·m", "bottle 0.95 L 1 qt 0.946 L"}},
		{"van6-overflow", units.US, []string{"; us as written SI ;", "typical refill 4.20 qt 4.2 qt 3.975 L", "window to 113 °F 113 F 45.0 °C", "bolt torque 97 in-lb 97 in-lb 10.96 N·m"}},
		{"estate5-dipstick", units.US, []string{"first fill 0.75 of the target", "between marks 0.37 qt 350 mL 0.350 L", "total capacity 8.03 qt 7.6 L 7.600 L", "bolt torque 165 in-lb 18.6 N m 18.60 N·m"}},
		{"saloon4-dipstick", units.Imperial, []string{"typical refill 7.00 pt imp 7 pt imp 3.978 L", "bolt torque 11.0 ft-lb 11 ft-lb 14.91 N·m", "window from 65.5 °C 65.5 C 65.5 °C"}},
	} {
		got := squeezed(all[c.name].Show(words.Reader{Language: words.English, Units: c.system}))
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s in %s lacks %q:\n%s", c.name, c.system, want, got)
			}
		}
	}
	if got := squeezed(all["saloon4-dipstick"].Show(words.Plain)); strings.Contains(got, "total") || strings.Contains(got, "between marks") || strings.Contains(got, "vehicle") {
		t.Errorf("a field that is not set is shown: %s", got)
	}
	if got, want := all["van6-overflow"].Summary(words.Reader{Language: words.English, Units: units.US}), "amber 6, refill 4.20 qt, overflow at 95 to 113 °F, bolts 97 in-lb"; got != want {
		t.Errorf("summary %q, want %q", got, want)
	}
}

// Any file is either an error with a text, or figures with which a job can be opened and
// which the journal keeps exactly; never a panic.
func FuzzServiceData(f *testing.F) {
	f.Add(bridgetest.SmallServiceData)
	f.Add("name: [")
	f.Add("name: &a [*a]")
	f.Add(strings.Replace(bridgetest.SmallServiceData, "bottle: 1 qt", "bottle: &b 2.5 pt imp\nfirst_fill: 1e-1", 1))
	f.Add(strings.Replace(bridgetest.SmallServiceData, "check: dipstick\nbetween_marks: 1 pt", "check: overflow\nvehicle: van\nnote: >\n  two\n  lines", 1))
	f.Fuzz(func(t *testing.T, text string) {
		d, err := parseServiceData([]byte(text), amber)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without a text")
			}
			return
		}
		spec := d.Spec()
		spec.ID, spec.Fresh, spec.Used = "a", amber[d.Fluid], amber[d.Fluid]
		s := fillcalc.State{Setup: fillcalc.Setup{ReferenceC: 20, AirKgM3: 1.2}}
		if err := fillcalc.Check(&s, &fillcalc.Input{Do: fillcalc.DoOpen, Job: &spec}); err != nil {
			t.Fatalf("good, but no job can be opened with it: %v", err)
		}
		kept, err := json.Marshal(spec)
		var again fillcalc.JobSpec
		if err != nil || json.Unmarshal(kept, &again) != nil || !reflect.DeepEqual(again, spec) {
			t.Fatalf("the journal keeps %s of %+v, %v", kept, spec, err)
		}
		for _, row := range append(d.Show(words.Reader{Language: words.Spanish, Units: units.US}), d.Summary(words.Reader{Units: units.Imperial})) {
			if strings.ContainsAny(row, "\n\x1b") || !utf8.ValidString(row) || strings.Contains(row, "NaN") {
				t.Fatalf("shown as %q", row)
			}
		}
	})
}
