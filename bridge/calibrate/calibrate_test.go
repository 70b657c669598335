package calibrate

import (
	"bytes"
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

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/sensors"
	"bayfill/sim"
)

// calibrationBench is a simulated cart with a scale that shows 0.08 % too much
// and a probe that shows 0.2 °C too much of its 60 °C, and a keyboard.
type calibrationBench struct {
	t      *testing.T
	rig    *sim.Rig
	config *config.Config
	data   string
	keys   *io.PipeWriter
	in     *io.PipeReader
	out    bridgetest.Output
}

// calibrationSpeed plays the bench faster than life; the waiting for silence is
// long enough for a busy machine.
const calibrationSpeed = 20

func newCalibrationBench(t *testing.T) *calibrationBench {
	t.Helper()
	dir := t.TempDir()
	b := &calibrationBench{t: t, data: filepath.Join(dir, "data")}
	cart := sim.DefaultParams()
	cart.Used, cart.Fresh, cart.AmbientC, cart.FluidC = bridgetest.UsedFluid, bridgetest.FreshFluid, 60, 60
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
	if b.config, err = config.Parse([]byte(text)); err != nil {
		t.Fatal(err)
	}
	b.in, b.keys = io.Pipe()
	t.Cleanup(func() { b.keys.Close() })
	return b
}

func (b *calibrationBench) options(sensor string) Options {
	return Options{
		Cart: "bay2", Sensor: sensor, By: "mara", Equipment: "weights M1", Reader: words.Plain, WeightsUPct: 0.005,
		ReferenceUC: 0.05, ResolutionC: 0.1, DueDays: 365, Speed: calibrationSpeed,
	}
}

// session makes one whose options are right.
func (b *calibrationBench) session(o Options) *Session {
	b.t.Helper()
	s, err := New(b.config, o)
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// start runs a calibration; the function it returns waits for its end.
func (b *calibrationBench) start(ctx context.Context, o Options) (end func() error) {
	b.t.Helper()
	session := b.session(o)
	ended := make(chan error, 1)
	go func() { ended <- session.Run(ctx, b.in, &b.out) }()
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
	bridgetest.Eventually(b.t, 10*time.Second, words, func() bool { return strings.Count(flat(b.out.String()), words) >= n })
	io.WriteString(b.keys, line+"\n")
}

// flat undoes the wrapping of lines.
func flat(text string) string { return strings.Join(strings.Fields(text), " ") }

func (b *calibrationBench) record(sensor string) config.Calibration {
	b.t.Helper()
	all, warning, err := config.ReadCalibrations(filepath.Join(b.data, "bay2."+sensor+".calibration.jsonl"))
	if err != nil || warning != nil || len(all) != 1 {
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
	bridgetest.Slow(t)
	b := newCalibrationBench(t)
	end := b.start(t.Context(), b.options("scale"))
	b.after(1, "1: empty the scale", "")
	bridgetest.Eventually(t, 10*time.Second, "the zero", func() bool { return strings.Contains(b.out.String(), "2: ") })
	b.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(5) })
	b.after(1, "2: put a known weight on the scale", "")
	b.after(1, "What is the true value?", "5")             // no unit
	b.after(1, `"5" is not a weight with its unit`, "6kg") // a wrong one, taken back below
	b.after(1, "3: put a known weight on the scale", "back")
	b.after(2, "2: put a known weight on the scale", "")
	b.after(3, "What is the true value?", "5 kg")
	bridgetest.Eventually(t, 10*time.Second, "the third point", func() bool { return strings.Count(b.out.String(), "3: ") >= 2 })
	b.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(25*0.45359237 - 5) })
	b.after(2, "3: put a known weight on the scale", "")
	b.after(4, "What is the true value?", "25 lb")
	b.after(1, "4: put a known weight on the scale", "done")
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
		if n := len([]rune(line)); n > columns && !strings.HasPrefix(line, "saved in") {
			t.Errorf("%d columns: %q", n, line)
		}
	}
	var list bytes.Buffer
	err := List(&list, b.config, "", "", time.Now().UnixNano(), words.Plain)
	if listed := list.String(); err != nil || !strings.Contains(listed, "bay2 scale\n    passed ") || !strings.Contains(listed, "bay2 probe\n    never calibrated") {
		t.Errorf("%v: %s", err, listed)
	}
}

// The values may be given beforehand; a scale out of tolerance is recorded and
// said to be, here to a Spanish reader.
func TestCalibrateFailingScale(t *testing.T) {
	b := newCalibrationBench(t)
	o := b.options("scale")
	o.Points, o.Reader = []string{"0", "5kg"}, words.Reader{Language: words.Spanish}
	end := b.start(t.Context(), o)
	b.after(1, "1: vacíe la balanza", "otro")
	b.after(1, `no se entiende "otro"`, "")
	bridgetest.Eventually(t, 10*time.Second, "the second point", func() bool { return strings.Contains(b.out.String(), "2: ") })
	b.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(5.1) }) // 2 % too heavy
	b.after(1, "2: ponga 5kg en total", "")
	err := end()
	if err == nil || !strings.Contains(err.Error(), "está fuera de tolerancia") {
		t.Errorf("%v:\n%s", err, b.out.String())
	}
	spanish(t, b.out.String(), b.data)
	bridgetest.Spanish(t, err.Error())
	if c := b.record("scale"); c.Passed() || !strings.Contains(b.out.String(), "FALLA") {
		t.Errorf("%+v:\n%s", c, b.out.String())
	}
}

// spanish fails when the dialogue holds English, or is wider than it may be.
func spanish(t *testing.T, text string, names ...string) {
	t.Helper()
	bridgetest.Spanish(t, text, append(names, "done", "back")...)
	for line := range strings.Lines(text) {
		if n := len([]rune(strings.TrimRight(line, "\n"))); n > columns && !strings.HasPrefix(line, "guardada en") {
			t.Errorf("%d columns: %q", n, line)
		}
	}
}

// What a Spanish reader is shown of a probe, of doubtful weights, and of what cannot be fitted.
func TestSpanishResults(t *testing.T) {
	var out bytes.Buffer
	s := &Session{
		options: Options{Reader: words.Reader{Language: words.Spanish, Units: units.Metric}, Sensor: "b1", WeightsUPct: 0.1, DueDays: 1, ResolutionC: 0.1}, out: &out,
		sensor: &config.Sensor{Role: "caddy", CapacityKg: 30, ResolutionKg: 0.005, RepeatabilityKg: new(0.002)}, driver: &sensors.Sensor{Quantity: sensors.Weight},
	}
	fit := func(points ...point) {
		t.Helper()
		s.points = points
		switch record, err := s.fit(time.Unix(1e9, 0)); {
		case err != nil:
			s.sayError(err)
		case record.Scale != nil:
			s.showScale(record.Scale)
		default:
			s.showProbe(record.Probe)
		}
	}
	scale := func(kg, shown float64) point { return point{known{value: kg}, shown} }
	probe := func(c, shown float64) point { return point{known{value: c, uC: 0.1}, shown} }
	fit()
	fit(scale(0, 0), scale(5, 5.001))
	fit(scale(0, 0), scale(5, 11))
	fit(scale(0, 0), scale(0.5, 0.5))
	_, err := s.parse("5")
	s.sayError(err)
	_, err = s.parse("31 kg")
	s.sayError(err)
	s.options.Points = []string{"0"}
	s.sayError(s.setPlan())
	s.driver.Quantity = sensors.Temperature
	fit()
	fit(probe(0, 0.1))
	fit(probe(0, 0), probe(5, 5))
	fit(probe(0, 0), probe(100, 212))
	fit(probe(0, 273.15))
	for _, text := range []string{"5", "300 C", "boiling"} {
		_, err := s.parse(text)
		s.sayError(err)
	}
	for _, status := range []sensors.Status{{Condition: sensors.Busy, Port: "x"}, {Condition: sensors.Starting, Port: "x"}} {
		s.paragraph(s.options.Reader.Say(s.trouble(&status)))
	}
	if err := List(&out, &config.Config{}, "a", "b", 0, s.options.Reader); err == nil || !strings.Contains(err.Error(), "no tiene un sensor") {
		t.Errorf("a sensor that there is not: %v", err)
	}
	spanish(t, out.String())
	if strings.Contains(out.String(), "calibrate.") {
		t.Error("a key is said")
	}
	t.Log("\n" + out.String())
}

// A probe is compared with another thermometer.
func TestCalibrateProbe(t *testing.T) {
	bridgetest.Slow(t)
	b := newCalibrationBench(t)
	o := b.options("probe")
	o.Points = []string{"reference"}
	end := b.start(t.Context(), o)
	b.after(1, "1: put the probe beside the other thermometer", "")
	b.after(1, "What is the true value?", "140 F")
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
	bridgetest.Eventually(t, 10*time.Second, "the second point", func() bool { return strings.Contains(b.out.String(), "2: ") })

	// Meanwhile the port is held.
	if err := b.session(b.options("scale")).Run(t.Context(), strings.NewReader(""), io.Discard); err == nil || !strings.Contains(err.Error(), "the bridge must not run") {
		t.Errorf("a second one: %v", err)
	}
	stop()
	if err := end(); err == nil || !strings.Contains(err.Error(), "nothing was recorded") {
		t.Errorf("stopped: %v", err)
	}
	b.nothingRecorded()

	if err := b.session(b.options("scale")).Run(t.Context(), strings.NewReader("\n"), &b.out); err == nil || !strings.Contains(err.Error(), "The input ended") {
		t.Errorf("end of input: %v", err)
	}
	b.nothingRecorded()
}

// Known values in every unit, exactly.
func TestKnownValues(t *testing.T) {
	session := func(q sensors.Quantity) *Session {
		return &Session{options: Options{ReferenceUC: 0.2}, air: pressure{1013.25, barometerUHPa}, sensor: &config.Sensor{CapacityKg: 30}, driver: &sensors.Sensor{Quantity: q}}
	}
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
		got, err := session(k.quantity).parse(k.text)
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
		if got, err := session(sensors.Weight).parse(text); err == nil {
			t.Errorf("%q was taken for %v kg", text, got.value)
		}
	}
}
