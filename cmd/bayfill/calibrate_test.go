package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/sensors"
	"bayfill/sim"
)

// calibrationBench is a simulated cart with a scale that shows 0.08 % too much
// and a probe that shows 0.2 °C too much of its 60 °C, and a keyboard.
type calibrationBench struct {
	t      *testing.T
	rig    *sim.Rig
	config string // file
	data   string
	keys   *io.PipeWriter
	in     *io.PipeReader
	out    lockedBuffer
	cancel context.CancelFunc
}

// calibrationSpeed plays the bench faster than life; the waiting for silence is
// long enough for a busy machine.
const calibrationSpeed = 20

func newCalibrationBench(t *testing.T) *calibrationBench {
	t.Helper()
	dir := t.TempDir()
	b := &calibrationBench{t: t, config: filepath.Join(dir, "bayfill.yaml"), data: filepath.Join(dir, "data")}
	cart := sim.DefaultParams()
	cart.Used, cart.Fresh, cart.AmbientC, cart.FluidC = demoUsed, demoFresh, 60, 60
	scale, probe := sim.DefaultScaleParams(), sim.DefaultProbeParams()
	scale.GainError, scale.CreepShare = 0.0008, 0
	probe.OffsetC = 0.2
	clock := clock.New(0, calibrationSpeed)
	var err error
	b.rig, err = sim.NewRig(sim.RigOptions{
		Cart: cart, Dir: filepath.Join(dir, "ports"), Elapsed: clock.Elapsed,
		Sensors: []sim.Sensor{
			{Name: "scale", Scale: &scale, Wire: &sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 3}},
			{Name: "probe", Probe: &probe, Wire: &sim.LineWire{Shape: "temp", Unit: "C", Decimals: 1}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel = cancel
	var running sync.WaitGroup
	running.Go(func() {
		if err := b.rig.Run(ctx); err != nil {
			t.Errorf("rig: %v", err)
		}
	})
	t.Cleanup(func() { cancel(); running.Wait() })
	text := fmt.Sprintf(`shop: hilltop
data: %s
fluids:
  - {name: amber, density_kg_m3: 850}
carts:
  - name: bay2
    sensors:
      - {name: scale, role: caddy, port: %s, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005, silent_after_s: 200}
      - {name: probe, role: transmission-temp, port: %s, protocol: line, pattern: temperature, silent_after_s: 200}
`, b.data, b.rig.Port("scale"), b.rig.Port("probe"))
	if err := os.WriteFile(b.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b.in, b.keys = io.Pipe()
	t.Cleanup(func() { b.keys.Close() })
	return b
}

func (b *calibrationBench) options(sensor string) calibrateOptions {
	return calibrateOptions{
		config: b.config, sensor: sensor, by: "mara", equipment: "weights M1", weightsUPct: 0.005,
		referenceUC: 0.05, resolutionC: 0.1, dueDays: 365, speed: calibrationSpeed,
	}
}

// start runs the command; the function it returns waits for its end.
func (b *calibrationBench) start(ctx context.Context, o calibrateOptions) (end func() error) {
	ended := make(chan error, 1)
	go func() { ended <- o.run(ctx, b.in, &b.out) }()
	return func() error {
		b.t.Helper()
		select {
		case err := <-ended:
			return err
		case <-time.After(20 * time.Second):
			b.t.Fatalf("it does not end:\n%s", b.out.String())
			return nil
		}
	}
}

// after waits until the n-th saying of some words is out, and types a line.
func (b *calibrationBench) after(n int, words, line string) {
	b.t.Helper()
	until(b.t, words, func() bool { return strings.Count(flat(b.out.String()), words) >= n })
	io.WriteString(b.keys, line+"\n")
}

// flat undoes the wrapping of lines.
func flat(text string) string { return strings.Join(strings.Fields(text), " ") }

func (b *calibrationBench) record(sensor string) config.Calibration {
	b.t.Helper()
	all, warning, err := config.ReadCalibrations(filepath.Join(b.data, "bay2."+sensor+".calibration.jsonl"))
	if err != nil || warning != "" || len(all) != 1 {
		b.t.Fatalf("%d records, %q, %v:\n%s", len(all), warning, err, b.out.String())
	}
	return all[0]
}

func (b *calibrationBench) nothingRecorded() {
	b.t.Helper()
	if files, _ := os.ReadDir(b.data); len(files) != 0 {
		b.t.Errorf("%v was recorded", files)
	}
}

// A person goes through a scale with weights in two units, mistypes, and takes
// a point back; the slope that comes out is the simulator's.
func TestCalibrateScale(t *testing.T) {
	b := newCalibrationBench(t)
	end := b.start(t.Context(), b.options("scale"))
	b.after(1, "1: empty the scale", "")
	until(t, "the zero", func() bool { return strings.Contains(b.out.String(), "2: ") })
	b.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(5) })
	b.after(1, "2: lay on a known weight", "")
	b.after(1, "What is it truly?", "5")                // no unit
	b.after(1, `"5" is no weight with its unit`, "6kg") // a wrong one, taken back below
	b.after(1, "3: lay on a known weight", "back")
	b.after(2, "2: lay on a known weight", "")
	b.after(3, "What is it truly?", "5 kg")
	until(t, "the third point", func() bool { return strings.Count(b.out.String(), "3: ") >= 2 })
	b.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(25*0.45359237 - 5) })
	b.after(2, "3: lay on a known weight", "")
	b.after(4, "What is it truly?", "25 lb")
	b.after(1, "4: lay on a known weight", "done")
	if err := end(); err != nil {
		t.Fatalf("%v:\n%s", err, b.out.String())
	}
	t.Log("\n" + b.out.String())
	c := b.record("scale")
	if c.By != "mara" || c.Equipment != "weights M1" || c.Cart != "bay2" || c.Sensor != "scale" || c.WeightsUPct != 0.005 ||
		c.Scale == nil || !c.Passed() || len(c.Scale.Points) != 3 {
		t.Fatalf("%+v", c)
	}
	if z := (c.Scale.Slope*1.0008 - 1) / c.Scale.SlopeU; !(math.Abs(z) < 3) || c.Scale.SlopeU > 0.0005 {
		t.Errorf("slope %.6f ± %.6f (k = 1), truly %.6f", c.Scale.Slope, c.Scale.SlopeU, 1/1.0008)
	}
	if age := time.Since(time.Unix(0, c.AtNs())); age < 0 || age > time.Minute || c.DueNs()-c.AtNs() < int64(364*24*time.Hour) {
		t.Errorf("made at %d, due at %d", c.AtNs(), c.DueNs())
	}
	for _, line := range strings.Split(b.out.String(), "\n") {
		if n := len([]rune(line)); n > calibrateWidth && !strings.HasPrefix(line, "kept in") {
			t.Errorf("%d columns: %q", n, line)
		}
	}
	status, listed, errors := program(t.Context(), "calibrate", "--list", "--config", b.config)
	if status != 0 || !strings.Contains(listed, "bay2 scale\n    passed ") || !strings.Contains(listed, "bay2 probe\n    never calibrated") {
		t.Errorf("status %d: %s%s", status, listed, errors)
	}
}

// The values may be given beforehand; a scale out of tolerance is recorded and
// said to be.
func TestCalibrateFailingScale(t *testing.T) {
	b := newCalibrationBench(t)
	o := b.options("scale")
	o.points = []string{"0", "5kg"}
	end := b.start(t.Context(), o)
	b.after(1, "1: empty the scale", "")
	until(t, "the second point", func() bool { return strings.Contains(b.out.String(), "2: ") })
	b.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(5.1) }) // 2 % too heavy
	b.after(1, "2: lay on 5kg", "")
	if err := end(); err == nil || !strings.Contains(err.Error(), "out of tolerance") {
		t.Errorf("%v:\n%s", err, b.out.String())
	}
	if c := b.record("scale"); c.Passed() || !strings.Contains(b.out.String(), "FAILS") {
		t.Errorf("%+v:\n%s", c, b.out.String())
	}
}

// A probe held against another thermometer.
func TestCalibrateProbe(t *testing.T) {
	b := newCalibrationBench(t)
	o := b.options("probe")
	o.points = []string{"reference"}
	end := b.start(t.Context(), o)
	b.after(1, "1: put the probe beside the other thermometer", "")
	b.after(1, "What is it truly?", "140 F")
	if err := end(); err != nil {
		t.Fatalf("%v:\n%s", err, b.out.String())
	}
	t.Log("\n" + b.out.String())
	c := b.record("probe")
	if c.Probe == nil || !c.Passed() || math.Abs(c.Probe.Correct(60.2)-60) > 0.03 || math.Abs(c.Probe.Points[0].KnownC-60) > 1e-9 {
		t.Errorf("%+v", c.Probe)
	}
}

// A stop, the end of the input, or a port that is held leave no record, and say
// so.
func TestCalibrateLeavesNoHalfRecord(t *testing.T) {
	b := newCalibrationBench(t)
	ctx, stop := context.WithCancel(t.Context())
	end := b.start(ctx, b.options("scale"))
	b.after(1, "1: empty the scale", "")
	until(t, "the second point", func() bool { return strings.Contains(b.out.String(), "2: ") })

	// Meanwhile the port is held.
	if status, _, errors := program(t.Context(), "calibrate", "--config", b.config, "--sensor", "scale"); status != 1 || !strings.Contains(errors, "the bridge must not run") {
		t.Errorf("a second one: status %d: %s", status, errors)
	}
	stop()
	if err := end(); err == nil || !strings.Contains(err.Error(), "nothing was recorded") {
		t.Errorf("stopped: %v", err)
	}
	b.nothingRecorded()

	o := b.options("scale")
	if err := o.run(t.Context(), strings.NewReader("\n"), &b.out); err == nil || !strings.Contains(err.Error(), "the input ended") {
		t.Errorf("end of input: %v", err)
	}
	b.nothingRecorded()
}

// Mistakes are told before any port is opened.
func TestCalibrateMistakes(t *testing.T) {
	b := newCalibrationBench(t)
	for _, c := range []struct {
		args string
		want string
	}{
		{"--sensor nil", `--sensor: cart bay2 has no "nil", its sensors are scale, probe`},
		{"--cart bay9 --sensor scale", `--cart: there is no "bay9"`},
		{"--sensor scale --point 0 --point 5", `"5" is no weight with its unit`},
		{"--sensor scale --point 0 --point 31kg", "capacity of 30 kg"},
		{"--sensor scale --point 0 --point -1kg", "capacity of 30 kg"},
		{"--sensor scale --point 0", "one known weight"},
		{"--sensor scale --point 2kg", "give 0"},
		{"--sensor probe --point 0", "no temperature with its unit"},
		{"--sensor probe --point 300C", "from -60 to 250"},
		{"--sensor probe --point boiling", "--altitude-m"},
		{"--sensor probe --point boiling --altitude-m 9000", "--altitude-m: altitude: 9000 m"},
		{"--sensor probe --pressure-hpa 29.9", "--pressure-hpa: pressure: 29.9 hPa"},
		{"--sensor probe --pressure-hpa NaN", "--pressure-hpa: pressure: NaN"},
		{"--sensor scale --due-days 0", "--due-days"},
		{"--sensor scale --weights-u-pct NaN", "--weights-u-pct"},
		{"--list --sensor nil", `no sensor "nil"`},
	} {
		args := append([]string{"calibrate", "--config", b.config}, strings.Fields(c.args)...)
		if status, out, errors := program(t.Context(), args...); status != 1 || !strings.Contains(errors, c.want) {
			t.Errorf("%s: status %d: %s%s; want %q", c.args, status, out, errors, c.want)
		}
	}
}

// Known values in every unit, exactly.
func TestKnownValues(t *testing.T) {
	c := calibrating{options: &calibrateOptions{referenceUC: 0.2, pressureHPa: 1013.25}, instrument: &config.Sensor{CapacityKg: 30}}
	for _, k := range []struct {
		quantity sensors.Quantity
		text     string
		want, u  float64
	}{
		{sensors.Weight, "0", 0, 0}, {sensors.Weight, "2 kg", 2, 0}, {sensors.Weight, "2.5KG", 2.5, 0}, {sensors.Weight, " 500 g ", 0.5, 0},
		{sensors.Weight, "10lb", 4.5359237, 0}, {sensors.Weight, "8 oz", 0.226796185, 0}, {sensors.Weight, ".1 kg", 0.1, 0},
		{sensors.Temperature, "60 C", 60, 0.2}, {sensors.Temperature, "60.5 °C", 60.5, 0.2}, {sensors.Temperature, "140F", 60, 0.2},
		{sensors.Temperature, "293.15 K", 20, 0.2}, {sensors.Temperature, "-10 C", -10, 0.2}, {sensors.Temperature, "Ice", 0, iceUC},
		{sensors.Temperature, "boiling", 99.974, math.Hypot(0.1, 0.03)},
	} {
		c.quantity = k.quantity
		got, err := c.parse(k.text)
		tolerance := 0.0
		if strings.HasSuffix(k.text, "F") {
			tolerance = 1e-12
		} else if k.text == "boiling" {
			tolerance = 0.001
		}
		if err != nil || math.Abs(got.value-k.want) > tolerance || got.uC != k.u {
			t.Errorf("%q = %v ± %v, %v; want %v ± %v", k.text, got.value, got.uC, err, k.want, k.u)
		}
	}
	for _, text := range []string{"", "kg", "2,5 kg", "1-2 kg", "5 stone", "1e3 kg", "--1 kg", "1.-5 kg", "99999999999999999999 kg"} {
		c.quantity = sensors.Weight
		if got, err := c.parse(text); err == nil {
			t.Errorf("%q was taken for %v kg", text, got.value)
		}
	}
}
