package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/clock"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

const calibratedNs = 1_760_000_000_000_000_001 // 2025-10-09; odd: no float64 holds it

// aCalibration is an invented record of a scale that shows 0.03 % too much. failKg is added
// to the reading at 5 kg, to make it fail.
func aCalibration(t testing.TB, atNs int64, failKg float64) Calibration {
	t.Helper()
	fit, err := fillcalc.FitScale(
		[]fillcalc.ScalePoint{{KnownKg: 0, ShownKg: 3.21}, {KnownKg: 5, ShownKg: 8.2115 + failKg}, {KnownKg: 10, ShownKg: 13.213}},
		fillcalc.ScaleSetup{ResolutionKg: 0.005, RepeatabilityKg: 0.002}, 0.00005, atNs, atNs+int64(365*24*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	return Calibration{At: wire.Timestamp(atNs), Cart: "bay2", Sensor: "caddy", By: "mara", Equipment: "weights M1", WeightsUPct: 0.005, Version: "test", Scale: &fit}
}

// Records are read back bit for bit and in order, and are never overwritten.
func TestCalibrationsAreKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data", "bay2.caddy.calibration.jsonl")
	if all, warning, err := ReadCalibrations(path); len(all) != 0 || warning != nil || err != nil {
		t.Errorf("no file: %v, %q, %v", all, warning, err)
	}
	var want []Calibration
	for i := range int64(3) {
		want = append(want, aCalibration(t, calibratedNs+i, 0))
		before, _ := os.ReadFile(path)
		if err := AppendCalibration(path, want[i]); err != nil {
			t.Fatal(err)
		}
		if after, _ := os.ReadFile(path); !bytes.HasPrefix(after, before) {
			t.Errorf("record %d changed what was there", i)
		}
	}
	got, warning, err := ReadCalibrations(path)
	if err != nil || warning != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, %q, %v", got, warning, err)
	}
	if n := got[2].AtNs(); n != calibratedNs+2 {
		t.Errorf("the newest was made at %d", n)
	}
}

// A power cut may end the file anywhere in the last record. The records before it stay,
// and the next one is appended normally.
func TestIncompleteCalibration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.jsonl")
	first, second := aCalibration(t, calibratedNs, 0), aCalibration(t, calibratedNs+1, 0)
	for _, c := range []Calibration{first, second} {
		if err := AppendCalibration(path, c); err != nil {
			t.Fatal(err)
		}
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	begin := bytes.IndexByte(whole, '\n') + 1
	for _, cut := range []int{begin + 1, begin + 17, (begin + len(whole)) / 2, len(whole) - 2, len(whole) - 1} {
		if err := os.WriteFile(path, whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		all, warning, err := ReadCalibrations(path)
		wholeLine := cut == len(whole)-1 // only its line end is missing
		if err != nil || wholeLine != (len(all) == 2) || wholeLine != (warning == nil) || !wholeLine && !strings.Contains(warning.Error(), "line 2 is incomplete") {
			t.Errorf("cut at %d of %d: %d records, %v, %v", cut, len(whole), len(all), warning, err)
		}
		if err := AppendCalibration(path, second); err != nil {
			t.Fatal(err)
		}
		all, warning, err = ReadCalibrations(path)
		if err != nil || warning != nil || wholeLine != (len(all) == 3) || !reflect.DeepEqual(all[0], first) || !reflect.DeepEqual(all[len(all)-1], second) {
			t.Errorf("cut at %d, then added to: %d records, %v, %v", cut, len(all), warning, err)
		}
	}
}

// An error names a line that was changed by hand. The line is never skipped, because an
// older calibration would replace it.
func TestBadCalibrationLine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.jsonl")
	for i := range int64(2) {
		if err := AppendCalibration(path, aCalibration(t, calibratedNs+i, 0)); err != nil {
			t.Fatal(err)
		}
	}
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(good, []byte("\n"))
	for _, c := range []struct{ bad, want string }{
		{"not JSON\n", "line 2: "},
		{"{}\n", "line 2: it must hold either scale or probe"},
		{strings.Replace(string(lines[1]), `"slope":0.9`, `"slope":9.9`, 1), "line 2: scale.slope: 9.9"},
		{strings.Replace(string(lines[1]), `"lightest_kg":5`, `"lightest_kg":0`, 1), "line 2: scale.lightest_kg: 0"},
		{`{"probe":{"gain":7}}` + "\n", "line 2: probe.gain: 7"},
	} {
		if err := os.WriteFile(path, []byte(string(lines[0])+c.bad+string(lines[1])), 0o600); err != nil {
			t.Fatal(err)
		}
		if all, _, err := ReadCalibrations(path); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.40q: %d records, %v; want %q", c.bad, len(all), err, c.want)
		}
	}
}

func TestCalibrationDue(t *testing.T) {
	day := int64(24 * time.Hour)
	passed, failed := aCalibration(t, calibratedNs, 0), aCalibration(t, calibratedNs, 0.030)
	for _, c := range []struct {
		last         *Calibration
		days         int64
		alert, state string // beginning of the text; empty: no alert
	}{
		{nil, 0, "sensor caddy: never calibrated: calibrate it with bayfill calibrate --cart bay2 --sensor caddy", "never calibrated"},
		{&passed, 0, "", "passed 2025-10-09, due 2026-10-09"},
		{&passed, 334, "", "passed 2025-10-09, due 2026-10-09"},
		{&passed, 345, "", "passed 2025-10-09, due 2026-10-09: in 20 days"},
		{&passed, 365, "", "passed 2025-10-09, due 2026-10-09: in 0 days"},
		{&passed, 366, "sensor caddy: passed 2025-10-09, due 2026-10-09: OVERDUE: calibrate it", "passed 2025-10-09, due 2026-10-09: OVERDUE"},
		{&failed, 0, "sensor caddy: FAILED 2025-10-09, due 2026-10-09: adjust, repair or replace it, then calibrate it", "FAILED 2025-10-09, due 2026-10-09"},
	} {
		now := calibratedNs + c.days*day
		alert := words.Plain.Fault(calibrationDue("bay2", "caddy", c.last, now))
		if (alert == "") != (c.alert == "") || !strings.HasPrefix(alert, c.alert) {
			t.Errorf("after %d days: alert %q, want %q", c.days, alert, c.alert)
		}
		if state := words.Plain.Say(CalibrationState(c.last, now)); state != c.state {
			t.Errorf("after %d days: state %q, want %q", c.days, state, c.state)
		}
	}
}

func TestInstrument(t *testing.T) {
	c, err := Parse([]byte(bridgetest.SmallConfig))
	if err != nil {
		t.Fatal(err)
	}
	clock := clock.New(0, 1)
	if s, driver, err := c.Instrument("bay2", "caddy", clock); err != nil || s.Name != "caddy" || driver.Name != "caddy" {
		t.Errorf("%+v, %v, %v", s, driver, err)
	}
	if _, _, err := c.Instrument("bay2", "probe", clock); err == nil || !strings.Contains(err.Error(), `sensor: cart bay2 has no "probe", its sensors are caddy`) {
		t.Errorf("an unknown sensor: %v", err)
	}
	if _, _, err := c.Instrument("bay9", "caddy", clock); err == nil || !strings.Contains(err.Error(), `cart: there is no "bay9", the carts are bay2`) {
		t.Errorf("an unknown cart: %v", err)
	}
	if path := c.CalibrationPath("bay2", "caddy"); path != "/tmp/x/bay2.caddy.calibration.jsonl" {
		t.Errorf("path %s", path)
	}
}

// The fold gets the newest record of each sensor. A file that cannot be read is reported
// and counts as no record.
func TestLastCalibrations(t *testing.T) {
	c, err := Parse([]byte(bridgetest.SmallConfig + `      - {name: warm, role: transmission-temp, port: /dev/ttyY, protocol: line, pattern: temperature}
      - {name: cool, role: caddy-temp, port: /dev/ttyZ, protocol: line, pattern: temperature}
`))
	if err != nil {
		t.Fatal(err)
	}
	c.Data = t.TempDir()
	fit, err := fillcalc.FitProbe([]fillcalc.ProbePoint{{KnownC: 0, ShownC: 0.2, UC: 0.1}}, calibratedNs, calibratedNs+1)
	if err != nil {
		t.Fatal(err)
	}
	older, newer := aCalibration(t, calibratedNs, 0), aCalibration(t, calibratedNs+1, 0.030)
	for _, record := range []Calibration{older, newer, {Sensor: "warm", Probe: &fit}} {
		if err := AppendCalibration(c.CalibrationPath("bay2", record.Sensor), record); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(c.CalibrationPath("bay2", "cool"), []byte("{}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	last, troubles := c.LastCalibrations(&c.Carts[0])
	if got := last["caddy"].scale(); got == nil || *got != newer.Scale.ScaleCalibration {
		t.Errorf("scale: %+v", got)
	}
	if got := last["warm"].probe(); got == nil || *got != fit.ProbeCalibration {
		t.Errorf("probe: %+v", got)
	}
	if got := last["cool"].probe(); got != nil || len(troubles) != 1 || !strings.Contains(fmt.Sprint(troubles["cool"]), "line 1") {
		t.Errorf("unreadable: %+v, %v", got, troubles)
	}
	// A record is not used for a sensor of the other kind that has its name.
	if last["warm"].scale() != nil || last["caddy"].probe() != nil {
		t.Error("a record is used for the wrong kind of sensor")
	}
}

// Any file of calibrations is either an error that names the line, or records that the
// fold can calculate with and to which another one can be added.
func FuzzCalibrations(f *testing.F) {
	scale := aCalibration(f, calibratedNs, 0)
	fit, err := fillcalc.FitProbe([]fillcalc.ProbePoint{{KnownC: 0, ShownC: 0.2, UC: 0.1}}, calibratedNs, calibratedNs+1)
	if err != nil {
		f.Fatal(err)
	}
	one, _ := json.Marshal(scale)
	two, _ := json.Marshal(Calibration{Sensor: "warm", Probe: &fit})
	for _, text := range []string{
		string(one) + "\n" + string(two) + "\n", string(one[:len(one)/2]), string(one) + "\n" + string(two[:9]), "{}\n", "\n\r\n \n", "null\n",
		`{"scale":{"slope":1,"lightest_kg":1,"due_ns":-9223372036854775808}}` + "\n", `{"probe":{"gain":1},"scale":null}` + "\n" + `{"probe":{"gain":7}}`,
	} {
		f.Add([]byte(text))
	}
	path := filepath.Join(bridgetest.MemoryDir(f), "c.jsonl")
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		all, warning, err := ReadCalibrations(path)
		if err != nil {
			if !strings.Contains(err.Error(), path+": line ") || len(all) > 0 {
				t.Fatalf("%d records and %v", len(all), err)
			}
			return
		}
		for i := range all {
			c := &all[i]
			if due, state := c.DueNs(), words.Plain.Say(CalibrationState(c, calibratedNs)); strings.Contains(state, "OVERDUE") != (due < calibratedNs) {
				t.Fatalf("due at %d, at %d it is %q", due, int64(calibratedNs), state)
			}
			_ = calibrationDue("bay2", "caddy", c, calibratedNs)
			setup := &fillcalc.Setup{ReferenceC: 20, AirKgM3: 1.2, Probe: fillcalc.ProbeSetup{Sensor: "warm", Calibration: c.probe()},
				Scales: []fillcalc.ScaleSetup{{Sensor: "caddy", Load: fillcalc.CaddyLoad, ResolutionKg: 0.005, RepeatabilityKg: 0.002, MaxFlowKgS: 0.15, Calibration: c.scale()}}}
			if err := fillcalc.Check(&fillcalc.State{}, &fillcalc.Input{Do: fillcalc.DoStart, Setup: setup}); err != nil {
				t.Fatalf("record %d is good, and no cart can start with it: %v", i, err)
			}
			if u := c.scale(); u != nil && math.IsNaN(u.GainU(calibratedNs)) {
				t.Fatalf("the slope's uncertainty of %+v is none", u)
			}
		}
		if err := AppendCalibration(path, scale); err != nil {
			t.Fatal(err)
		}
		again, left, err := ReadCalibrations(path)
		if err != nil || left != nil || !reflect.DeepEqual(again, append(all, scale)) {
			t.Fatalf("%d records (%v), and one more makes %d (%v), %v", len(all), warning, len(again), left, err)
		}
	})
}
