package calibrate

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/build"
	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// What a text of the catalogues is about; see [fillcalc.Text].
type (
	figures = map[string]float64
	names   = map[string]string
)

// Options say what is calibrated, and against what.
type Options struct {
	Cart, Sensor string // names in the configuration
	By           string // the person
	Reader       words.Reader
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
	for _, f := range []struct {
		option string
		value  float64
		fillcalc.Span
	}{
		{"weights-u-pct", o.WeightsUPct, fillcalc.Span{High: 5}},
		{"reference-u-c", o.ReferenceUC, fillcalc.Span{High: 10}},
		{"resolution-c", o.ResolutionC, fillcalc.Span{High: 5, Above: true}},
		{"due-days", float64(o.DueDays), fillcalc.Span{Low: 1, High: 3650}},
	} {
		if !f.Holds(f.value) {
			return nil, o.wrong(f.option, fillcalc.Outside(f.option, "", f.Span, strconv.FormatFloat(f.value, 'g', -1, 64)))
		}
	}
	clock := clock.New(time.Now().UnixNano(), o.Speed)
	sensor, driver, err := conf.Instrument(o.Cart, o.Sensor, clock)
	if err != nil {
		return nil, err
	}
	s := &Session{
		options: o, sensor: sensor, driver: driver, clock: clock, path: conf.CalibrationPath(o.Cart, o.Sensor),
		meter: &meter{readings: make(chan sensors.Reading)},
	}
	if s.air, err = airPressure(o); err != nil {
		return nil, err
	}
	if err := s.setPlan(); err != nil {
		return nil, o.wrong("point", err)
	}
	return s, nil
}

// wrong says to the reader what is wrong with an option.
func (o *Options) wrong(option string, err error) error {
	return fmt.Errorf("%s: %s", option, o.inWords(err))
}

// inWords says an error to the reader.
func (o *Options) inWords(err error) string {
	var refused *fillcalc.Refusal
	if errors.As(err, &refused) {
		return o.Reader.Say(refused.Text)
	}
	return o.Reader.Fault(err)
}

// refuse is an error that a person is to read.
func refuse(key string, f figures, n names) error {
	return &fillcalc.Refusal{Text: fillcalc.Text{Key: key, Figures: f, Names: n}}
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
		return refuse("calibrate.need_weights", nil, nil)
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
		err = refuse("calibrate.stopped", nil, nil)
	}
	if err == nil {
		return nil
	}
	return errors.New(s.options.inWords(err))
}

func (s *Session) calibrate(ctx context.Context) error {
	if err := s.waitForFrames(ctx); err != nil {
		return err
	}
	s.say("calibrate.begins", nil, names{"sensor": s.options.Sensor, "cart": s.options.Cart})
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
		s.sayError(err)
		if len(s.plan) > 0 {
			s.say("calibrate.again", nil, nil)
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
	s.say("calibrate.point", figures{"number": float64(len(s.points) + 1)}, names{"do": s.invitation(next)})
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
		s.say("calibrate.not_understood", nil, names{"typed": answer})
		return true, nil
	}
	shown, err := s.settle(ctx)
	if ctx.Err() != nil {
		return false, ctx.Err()
	}
	if err != nil {
		s.sayError(err)
		return true, nil
	}
	s.say("calibrate.settled", nil, names{"reading": s.written(shown)})
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
	key := "calibrate.bring_probe"
	switch {
	case s.weighs() && k.ask:
		key = "calibrate.put_weight"
	case s.weighs() && k.value == 0:
		key = "calibrate.empty_scale"
	case s.weighs():
		key = "calibrate.put_total"
	case k.ask && len(s.plan) == 0:
		key = "calibrate.bring_known"
	case k.ask:
		key = "calibrate.beside_reference"
	}
	return s.options.Reader.Say(fillcalc.Text{Key: key, Names: names{"known": k.text}})
}

// errBack says that the person took a point back.
var errBack = errors.New("back")

// askTrueValue asks for the known value of the reading just taken until the answer
// can be read. The error is errBack when the person takes the reading back.
func (s *Session) askTrueValue(ctx context.Context) (known, error) {
	examples := "ice, boiling, 60.2 C; back"
	if s.weighs() {
		examples = "2 kg, 5 lb; back"
	}
	for {
		s.say("calibrate.true_value", nil, names{"examples": examples})
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
			s.sayError(err)
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
	fmt.Fprintln(s.out)
	if record.Scale != nil {
		s.showScale(record.Scale)
	} else {
		s.showProbe(record.Probe)
	}
	if err := config.AppendCalibration(s.path, record); err != nil {
		return err
	}
	state := config.CalibrationState(&record, record.AtNs())
	s.say(state.Key, state.Figures, state.Names)
	saved := s.options.Reader.Say(fillcalc.Text{Key: "calibrate.saved", Names: names{"path": s.path}})
	fmt.Fprintln(s.out, saved) // not wrapped: a path is copied
	s.say("calibrate.takes_effect", nil, nil)
	if !record.Passed() {
		return refuse("calibrate.out_of_tolerance", nil, names{"sensor": s.options.Sensor})
	}
	return nil
}

// trimmed is an answer as it is compared.
func trimmed(line string) string { return strings.ToLower(strings.TrimSpace(line)) }
