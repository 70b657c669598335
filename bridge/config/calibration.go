package config

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"bayfill/bridge/clock"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Calibration is the record of one calibration, a line of its sensor's file. Either Scale
// or Probe is set.
type Calibration struct {
	At        string `json:"at"` // for people; the program uses the fit's at_ns
	Cart      string `json:"cart"`
	Sensor    string `json:"sensor"`
	By        string `json:"by"`
	Equipment string `json:"equipment,omitempty"`
	// WeightsUPct is the relative standard uncertainty of the weights in percent.
	WeightsUPct float64 `json:"weights_u_pct,omitempty"`
	// PressureHPa is the air pressure from which the boiling point of water was computed.
	PressureHPa float64            `json:"pressure_hpa,omitempty"`
	Version     string             `json:"version"`
	Scale       *fillcalc.ScaleFit `json:"scale,omitempty"`
	Probe       *fillcalc.ProbeFit `json:"probe,omitempty"`
}

// AtNs returns when the calibration was made, in nanoseconds since 1970 UTC.
func (c *Calibration) AtNs() int64 {
	if c.Scale != nil {
		return c.Scale.AtNs
	}
	return c.Probe.AtNs
}

// DueNs returns when the next calibration is due.
func (c *Calibration) DueNs() int64 {
	if c.Scale != nil {
		return c.Scale.DueNs
	}
	return c.Probe.DueNs
}

// Passed reports whether every error was within its tolerance.
func (c *Calibration) Passed() bool {
	if c.Scale != nil {
		return c.Scale.Passed
	}
	return c.Probe.Passed
}

func (c *Calibration) check() error {
	switch {
	case (c.Scale == nil) == (c.Probe == nil):
		return words.NewError("config.calibration_one")
	case c.Scale != nil:
		if err := c.Scale.Check(); err != nil {
			return fmt.Errorf("scale.%w", err)
		}
	default:
		if err := c.Probe.Check(); err != nil {
			return fmt.Errorf("probe.%w", err)
		}
	}
	return nil
}

// CalibrationPath returns the file of a sensor's calibrations: one JSON object a line, the
// newest last. Names contain no dot, so no two sensors share a file.
func (c *Config) CalibrationPath(cart, sensor string) string {
	return filepath.Join(c.Data, cart+"."+sensor+".calibration.jsonl")
}

// ReadCalibrations reads a file of calibrations. A missing file gives an empty list. An
// incomplete last line, which a power cut leaves of a record that was never reported as
// kept, is skipped with a warning. The error names the line.
func ReadCalibrations(path string) (all []Calibration, warning, err error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, words.NewError("config.calibrations", "why", err)
	}
	number := 0
	for line := range bytes.Lines(text) {
		number++
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		var c Calibration
		err := json.Unmarshal(line, &c)
		if err != nil && !bytes.HasSuffix(line, []byte("\n")) && !json.Valid(line) {
			return all, words.NewError("config.calibration_cut", "path", path, "line", number), nil
		}
		if err == nil {
			err = c.check()
		}
		if err != nil {
			return nil, nil, words.NewError("config.calibration_bad", "path", path, "line", number, "why", err)
		}
		all = append(all, c)
	}
	return all, nil, nil
}

// AppendCalibration adds a record to a file of calibrations. After it has returned nil the
// record survives a power cut. After an error the file is as it was.
func AppendCalibration(path string, c Calibration) (err error) {
	line, err := json.Marshal(c)
	if err != nil {
		return words.NewError("config.calibration", "why", err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return words.NewError("config.calibration", "why", err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, 0o640)
	if err != nil {
		return words.NewError("config.calibration", "why", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	before, err := io.ReadAll(f)
	if err != nil {
		return words.NewError("config.calibration", "why", err)
	}
	// The rest of a line that a power cut has left is overwritten, or completed.
	end := int64(len(before))
	if last := before[bytes.LastIndexByte(before, '\n')+1:]; len(last) > 0 {
		if json.Valid(last) {
			line = append([]byte("\n"), line...)
		} else {
			end -= int64(len(last))
		}
	}
	if err = f.Truncate(end); err == nil {
		if _, err = f.WriteAt(append(line, '\n'), end); err == nil {
			err = f.Sync()
		}
	}
	if err == nil {
		err = syncFolder(filepath.Dir(path))
	}
	if err != nil {
		err = errors.Join(err, f.Truncate(end))
		return words.NewError("config.calibration_lost", "why", err)
	}
	return nil
}

// syncFolder makes the name of a new file survive a power cut.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// dueSoon is how long before its date the due date is shown in days.
const dueSoon = 30 * 24 * time.Hour

// CalibrationState says how a calibration stands. last is nil when there is none.
func CalibrationState(last *Calibration, nowNs int64) fillcalc.Text {
	if last == nil {
		return fillcalc.Text{Key: "calibrate.never"}
	}
	figures := map[string]float64{"passed": 0}
	if last.Passed() {
		figures["passed"] = 1
	}
	day := func(ns int64) string { return time.Unix(0, ns).UTC().Format(time.DateOnly) }
	key := "calibrate.done"
	if nowNs > last.DueNs() {
		key = "calibrate.overdue"
	} else if left := time.Duration(last.DueNs() - nowNs); left <= dueSoon {
		key, figures["days"] = "calibrate.due_soon", float64(left/(24*time.Hour))
	}
	return fillcalc.Text{Key: key, Figures: figures, Names: map[string]string{"made": day(last.AtNs()), "due": day(last.DueNs())}}
}

// calibrationDue says what is to be done about a sensor's calibration; nil: nothing is.
func calibrationDue(cart, sensor string, last *Calibration, nowNs int64) error {
	key := "config.calibration_due"
	if last != nil && last.Passed() && nowNs <= last.DueNs() {
		return nil
	}
	if last != nil && !last.Passed() {
		key = "config.calibration_failed"
	}
	return words.NewError(key, "cart", cart, "sensor", sensor, "why", &words.Error{Text: CalibrationState(last, nowNs)})
}

// DueCalibrations returns an error for each sensor of a cart whose calibration was never
// made, has failed, is overdue or cannot be read.
func (c *Config) DueCalibrations(cart *Cart, nowNs int64) (due []error) {
	last, troubles := c.LastCalibrations(cart)
	for i := range cart.Sensors {
		name := cart.Sensors[i].Name
		err := troubles[name]
		if err == nil {
			err = calibrationDue(cart.Name, name, last[name], nowNs)
		}
		if err != nil {
			due = append(due, err)
		}
	}
	return due
}

// LastCalibrations reads the newest calibration of each of a cart's sensors, by the
// sensor's name. A file that cannot be read counts as no calibration; troubles says why,
// by the sensor's name.
func (c *Config) LastCalibrations(cart *Cart) (last map[string]*Calibration, troubles map[string]error) {
	last, troubles = map[string]*Calibration{}, map[string]error{}
	for i := range cart.Sensors {
		name := cart.Sensors[i].Name
		all, warning, err := ReadCalibrations(c.CalibrationPath(cart.Name, name))
		if trouble := cmp.Or(err, warning); trouble != nil {
			troubles[name] = words.NewError("config.of_sensor", "sensor", name, "why", trouble)
		}
		if len(all) > 0 {
			last[name] = &all[len(all)-1]
		}
	}
	return last, troubles
}

// scale returns what the fold needs from a scale's record. It is nil when there is no
// record, or when the record is that of a probe that had the name before.
func (c *Calibration) scale() *fillcalc.ScaleCalibration {
	if c == nil || c.Scale == nil {
		return nil
	}
	return &c.Scale.ScaleCalibration
}

// probe returns the same from a probe's record.
func (c *Calibration) probe() *fillcalc.ProbeCalibration {
	if c == nil || c.Probe == nil {
		return nil
	}
	return &c.Probe.ProbeCalibration
}

// Instrument finds a sensor in the configuration and makes its driver. The error names
// the carts or sensors that exist.
func (c *Config) Instrument(cart, sensor string, clock *clock.Clock) (*Sensor, *sensors.Sensor, error) {
	configured, err := c.Cart(cart)
	if err != nil {
		return nil, nil, err
	}
	var names []string
	for i := range configured.Sensors {
		s := &configured.Sensors[i]
		names = append(names, s.Name)
		if s.Name == sensor {
			driver, err := s.Driver(clock)
			return s, driver, err
		}
	}
	return nil, nil, fmt.Errorf("sensor: %w", words.NewError("config.no_sensor", "cart", cart, "typed", sensor, "known", strings.Join(names, ", ")))
}

// Cart finds a cart in the configuration. The error names the carts that exist.
func (c *Config) Cart(name string) (*Cart, error) {
	var names []string
	for i := range c.Carts {
		if c.Carts[i].Name == name {
			return &c.Carts[i], nil
		}
		names = append(names, c.Carts[i].Name)
	}
	if name == "" {
		return nil, fmt.Errorf("cart: %w", words.NewError("config.several_carts", "known", strings.Join(names, ", ")))
	}
	return nil, fmt.Errorf("cart: %w", words.NewError("config.no_cart", "typed", name, "known", strings.Join(names, ", ")))
}
