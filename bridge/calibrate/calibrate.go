package calibrate

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/build"
	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Options say what is calibrated, and against what.
type Options struct {
	Cart, Sensor string // names in the configuration
	By           string // the person
	Equipment    string // as in "weights M1, certificate 123"; may be empty

	// Points are the known values in order, as [Session] understands them: "5 kg",
	// "60 C", "ice". Without any the person types each value at its point.
	Points []string

	WeightsUPct float64  // standard uncertainty of the weights, percent, 0 to 5
	ReferenceUC float64  // standard uncertainty of the other thermometer, °C, 0 to 10
	ResolutionC float64  // display step of the probe, °C, above 0 to 5
	PressureHPa float64  // air pressure at this place, for the boiling point; 0: not known
	AltitudeM   *float64 // altitude in metres, used when the pressure is not known
	DueDays     int      // until the next calibration is due, 1 to 3650

	Speed float64 // of the clock that stamps readings, relative to real time; 1 but in tests
	Live  bool    // the output is a terminal: show the reading while it settles
}

// Session is one calibration of one sensor.
type Session struct {
	options Options
	sensor  *config.Sensor
	driver  *sensors.Sensor
	clock   *clock.Clock
	// reportedAt is when the last line about settling was printed, by that clock.
	reportedAt time.Duration
	path       string   // of the sensor's file of calibrations
	air        pressure // of the air, for the boiling point
	plan       []known  // from Options.Points; empty: the person types the values
	points     []point  // taken so far

	meter *meter
	out   io.Writer
	lines <-chan string
}

// point is a known value and what the sensor showed there, in kg or °C.
type point struct {
	known
	shown float64
}

// New checks the options without opening the port. An error begins with the name of
// the option that is wrong, as on the command line: "due-days: …".
func New(conf *config.Config, o Options) (*Session, error) {
	switch {
	case !(o.WeightsUPct >= 0 && o.WeightsUPct <= 5):
		return nil, fmt.Errorf("weights-u-pct: %g is not between 0 and 5", o.WeightsUPct)
	case !(o.ReferenceUC >= 0 && o.ReferenceUC <= 10):
		return nil, fmt.Errorf("reference-u-c: %g is not between 0 and 10", o.ReferenceUC)
	case !(o.ResolutionC > 0 && o.ResolutionC <= 5):
		return nil, fmt.Errorf("resolution-c: %g is not above 0 and at most 5", o.ResolutionC)
	case o.DueDays < 1 || o.DueDays > 3650:
		return nil, fmt.Errorf("due-days: %d is not between 1 and 3650", o.DueDays)
	}
	clock := clock.New(time.Now().UnixNano(), o.Speed)
	sensor, driver, err := conf.Instrument(o.Cart, o.Sensor, clock)
	if err != nil {
		return nil, err
	}
	s := &Session{
		options: o, sensor: sensor, driver: driver, clock: clock, path: conf.CalibrationPath(o.Cart, o.Sensor),
		meter: &meter{readings: make(chan sensors.Reading), clock: clock},
	}
	if s.air, err = airPressure(o); err != nil {
		return nil, err
	}
	if err := s.setPlan(); err != nil {
		return nil, fmt.Errorf("point: %w", err)
	}
	return s, nil
}

// setPlan reads the values that are known beforehand.
func (s *Session) setPlan() error {
	zero, loads := false, 0
	for _, text := range s.options.Points {
		k, err := s.parse(text)
		if err != nil {
			return err
		}
		zero = zero || !k.ask && k.value == 0
		if k.value > 0 {
			loads++
		}
		s.plan = append(s.plan, k)
	}
	if s.weighs() && len(s.plan) > 0 && (!zero || loads == 0) {
		return errors.New("give 0 and at least one known weight, better two")
	}
	return nil
}

// weighs says whether the sensor is a scale; otherwise it is a probe.
func (s *Session) weighs() bool { return s.driver.Quantity == sensors.Weight }

// Run leads the person at in and out through the points, fits the calibration, shows
// it, and appends it to the sensor's file. An error says whether a record was written:
// none when ctx ends or the input does; a sensor out of tolerance is an error too, and
// is recorded. Run holds the sensor's port until it returns, and is called once.
func (s *Session) Run(ctx context.Context, in io.Reader, out io.Writer) error {
	ctx, stop := context.WithCancel(ctx)
	s.out, s.lines = out, readLines(ctx, in)
	var reading sync.WaitGroup
	reading.Go(func() { s.driver.Run(ctx, s.meter.read, s.meter.setStatus) })
	defer reading.Wait()
	defer stop()
	err := s.calibrate(ctx)
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return errors.New("stopped: nothing was recorded")
	}
	return err
}

func (s *Session) calibrate(ctx context.Context) error {
	if err := s.meter.waitForFrames(ctx); err != nil {
		return err
	}
	s.say("Calibrating %s of cart %s.", s.options.Sensor, s.options.Cart)
	for {
		more, err := s.take(ctx)
		if err != nil {
			return err
		}
		if more {
			continue
		}
		record, err := s.fit(time.Now())
		if err == nil {
			return s.keep(record)
		}
		s.say("%v", err)
		if len(s.plan) > 0 {
			s.say("Take the last point again, or type back for an earlier one.")
			s.dropLast()
		}
	}
}

// take takes the next point, or drops the last one. more is false when no further
// point is to be taken.
func (s *Session) take(ctx context.Context) (more bool, err error) {
	next, more := s.next()
	if !more {
		return false, nil
	}
	s.say("%d: %s, then press Enter", len(s.points)+1, s.invitation(next))
	answer, err := s.answer(ctx)
	switch {
	case err != nil:
		return false, err
	case answer == "":
	case answer == "back":
		s.dropLast()
		return true, nil
	case answer == "done" && len(s.plan) == 0:
		return false, nil
	default:
		s.say("%q is not understood here: press Enter, or type back or done", answer)
		return true, nil
	}
	shown, err := s.settle(ctx)
	if ctx.Err() != nil {
		return false, ctx.Err()
	}
	if err != nil {
		s.say("%v", err)
		return true, nil
	}
	s.say("settled at %s", s.written(shown))
	if next.ask {
		if next, err = s.askTrueValue(ctx); errors.Is(err, errBack) {
			return true, nil // only this reading is dropped
		} else if err != nil {
			return false, err
		}
	}
	s.points = append(s.points, point{next, shown})
	return true, nil
}

// next is the known value of the next point; more is false after the last one of
// the plan.
func (s *Session) next() (next known, more bool) {
	n := len(s.points)
	switch {
	case n < len(s.plan):
		return s.plan[n], true
	case len(s.plan) > 0:
		return known{}, false
	case n == 0 && s.weighs():
		return known{text: "0"}, true
	}
	return known{ask: true}, true
}

func (s *Session) dropLast() { s.points = s.points[:max(len(s.points)-1, 0)] }

// invitation tells the person how to bring the sensor to a known value.
func (s *Session) invitation(k known) string {
	switch {
	case s.weighs() && k.ask:
		return "put a known weight on the scale (or type done, back)"
	case s.weighs() && k.value == 0:
		return "empty the scale, except for what always stands on it"
	case s.weighs():
		return "put " + k.text + " in total on the scale"
	case k.ask && len(s.plan) == 0:
		return "bring the probe to a known temperature (or type done, back)"
	case k.ask:
		return "put the probe beside the other thermometer"
	}
	return "bring the probe to: " + k.text
}

// errBack says that the person took a point back.
var errBack = errors.New("back")

// askTrueValue asks for the known value of the reading just taken until the answer
// can be read. The error is errBack when the person takes the reading back.
func (s *Session) askTrueValue(ctx context.Context) (known, error) {
	examples := "(ice, boiling, 60.2 C; or back)"
	if s.weighs() {
		examples = "(2 kg, 5 lb; or back)"
	}
	for {
		s.say("What is the true value? %s", examples)
		answer, err := s.answer(ctx)
		if err != nil {
			return known{}, err
		}
		if answer == "back" {
			return known{}, errBack
		}
		k, err := s.parse(answer)
		if err == nil && !k.ask {
			return k, nil
		}
		if err != nil {
			s.say("%v", err)
		}
	}
}

// fit computes the calibration from the points.
func (s *Session) fit(at time.Time) (config.Calibration, error) {
	o := s.options
	atNs, dueNs := at.UnixNano(), at.AddDate(0, 0, o.DueDays).UnixNano()
	record := config.Calibration{
		At: at.UTC().Format(time.RFC3339), Cart: o.Cart, Sensor: o.Sensor,
		By: o.By, Equipment: o.Equipment, Version: build.Version,
	}
	if s.weighs() {
		record.WeightsUPct = o.WeightsUPct
		var points []fillcalc.ScalePoint
		for _, p := range s.points {
			points = append(points, fillcalc.ScalePoint{KnownKg: p.value, ShownKg: p.shown})
		}
		scale := fillcalc.ScaleSetup{ResolutionKg: s.sensor.ResolutionKg, RepeatabilityKg: *s.sensor.RepeatabilityKg}
		fit, err := fillcalc.FitScale(points, scale, o.WeightsUPct/100, atNs, dueNs)
		record.Scale = &fit
		return record, err
	}
	record.PressureHPa = s.air.hPa
	var points []fillcalc.ProbePoint
	for _, p := range s.points {
		points = append(points, fillcalc.ProbePoint{KnownC: p.value, ShownC: p.shown, UC: displayUC(p.uC, o.ResolutionC)})
	}
	fit, err := fillcalc.FitProbe(points, atNs, dueNs)
	record.Probe = &fit
	return record, err
}

// keep shows a calibration and appends it to the sensor's file.
func (s *Session) keep(record config.Calibration) error {
	s.say("")
	if record.Scale != nil {
		s.showScale(record.Scale)
	} else {
		s.showProbe(record.Probe)
	}
	if err := config.AppendCalibration(s.path, record); err != nil {
		return err
	}
	s.say("%s", config.CalibrationState(&record, record.AtNs()))
	fmt.Fprintf(s.out, "saved in %s\n", s.path)
	s.say("It takes effect at the next start of the bridge.")
	if !record.Passed() {
		return fmt.Errorf("%s is out of tolerance: adjust, repair or replace it, and calibrate again", s.options.Sensor)
	}
	return nil
}

// trimmed is an answer as it is compared.
func trimmed(line string) string { return strings.ToLower(strings.TrimSpace(line)) }
