package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/user"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// calibrateWidth is how many columns the report needs at most.
const calibrateWidth = 60

type calibrateOptions struct {
	config, cart, sensor string
	list                 bool
	by, equipment        string
	points               []string
	weightsUPct          float64
	altitudeM            float64
	atAltitude           bool // altitudeM was given
	pressureHPa          float64
	referenceUC          float64
	resolutionC          float64
	dueDays              int
	speed                float64 // of the clock that stamps readings, against life
}

func calibrateCommand() *cobra.Command {
	o := calibrateOptions{speed: 1}
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "Hold a scale or a probe against known values and keep the result",
		Long: `Hold a scale against known weights, or a probe against ice, boiling water or
another thermometer, and add the result to the sensor's file of calibrations.
The bridge must not run meanwhile: it holds the port.

Without --point it goes on until you type done; type back to drop the point
before. With --point the values are known beforehand, and at each point it waits
for Enter: the weight lies on, the probe is in.

  --point 0 --point 5kg --point "10 lb"
  --point ice --point boiling --altitude-m 430
  --point reference --point "60 C"

At reference it asks what the other thermometer shows. The exit status is 1 when
the sensor is out of tolerance; the result is kept all the same.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			o.atAltitude = cmd.Flags().Changed("altitude-m")
			return o.run(cmd.Context(), cmd.InOrStdin(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.config, "config", "c", "bayfill.yaml", configHelp)
	f.StringVar(&o.cart, "cart", "", "cart; may be left out when there is one only")
	f.StringVar(&o.sensor, "sensor", "", "sensor of that cart")
	f.BoolVar(&o.list, "list", false, "only show how the calibrations stand")
	f.StringVar(&o.by, "by", "", "who calibrates (default: the user logged in)")
	f.StringVar(&o.equipment, "equipment", "", `what with, as in "weights M1, certificate 123"`)
	f.StringArrayVar(&o.points, "point", nil, "known value of a point; give one for each")
	f.Float64Var(&o.weightsUPct, "weights-u-pct", 0.005, "standard uncertainty of the weights, percent")
	f.Float64Var(&o.altitudeM, "altitude-m", 0, "altitude, for the boiling point")
	f.Float64Var(&o.pressureHPa, "pressure-hpa", 0, "air pressure here, not reduced to sea level, for the boiling point")
	f.Float64Var(&o.referenceUC, "reference-u-c", 0.1, "standard uncertainty of the other thermometer")
	f.Float64Var(&o.resolutionC, "resolution-c", 0.1, "step of the probe's display")
	f.IntVar(&o.dueDays, "due-days", 365, "days until the next calibration is due")
	return cmd
}

func (o *calibrateOptions) run(ctx context.Context, in io.Reader, out io.Writer) error {
	config, err := config.Load(o.config)
	if err != nil {
		return configError{err}
	}
	if o.list {
		return o.listCalibrations(out, config, time.Now().UnixNano())
	}
	if o.cart == "" && len(config.Carts) == 1 {
		o.cart = config.Carts[0].Name
	}
	clock := clock.New(time.Now().UnixNano(), o.speed)
	instrument, driver, err := config.Instrument(o.cart, o.sensor, clock)
	if err != nil {
		return fmt.Errorf("--%w", err)
	}
	c := &calibrating{
		options: o, instrument: instrument, quantity: driver.Quantity, clock: clock, out: out,
		path: config.CalibrationPath(o.cart, o.sensor), meter: meter{readings: make(chan sensors.Reading), clock: clock},
	}
	if err := c.prepare(); err != nil {
		return err
	}
	if f, ok := out.(*os.File); ok {
		c.live = term.IsTerminal(int(f.Fd()))
	}
	ctx, stop := context.WithCancel(ctx)
	c.lines = readLines(ctx, in)
	var reading sync.WaitGroup
	reading.Go(func() { driver.Run(ctx, c.meter.read, c.meter.tell) })
	defer reading.Wait()
	defer stop()
	err = c.run(ctx)
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return errors.New("stopped: nothing was recorded")
	}
	return err
}

// listCalibrations shows how the calibrations stand: of all sensors, or of those
// that were named.
func (o *calibrateOptions) listCalibrations(out io.Writer, conf *config.Config, nowNs int64) error {
	listed := false
	for _, cart := range conf.Carts {
		for _, sensor := range cart.Sensors {
			if o.cart != "" && o.cart != cart.Name || o.sensor != "" && o.sensor != sensor.Name {
				continue
			}
			listed = true
			all, warning, err := config.ReadCalibrations(conf.CalibrationPath(cart.Name, sensor.Name))
			if err != nil {
				return err
			}
			var last *config.Calibration
			if len(all) > 0 {
				last = &all[len(all)-1]
			}
			fmt.Fprintf(out, "%s %s\n    %s\n", cart.Name, sensor.Name, config.CalibrationState(last, nowNs))
			if last != nil {
				fmt.Fprintf(out, "    by %s, the last of %d", last.By, len(all))
				if last.Equipment != "" {
					fmt.Fprintf(out, "; %s", last.Equipment)
				}
				fmt.Fprintln(out)
			}
			if warning != "" {
				fmt.Fprintf(out, "    %s\n", warning)
			}
		}
	}
	if !listed {
		return fmt.Errorf("--cart, --sensor: the configuration has no sensor %q on a cart %q", o.sensor, o.cart)
	}
	return nil
}

// calibrating is one calibration under way.
type calibrating struct {
	options    *calibrateOptions
	instrument *config.Sensor
	quantity   sensors.Quantity
	clock      *clock.Clock
	path       string
	meter      meter
	lines      <-chan string
	out        io.Writer
	live       bool // out is a terminal
	plan       []known
	points     []point
}

// known is what a point is held against: kg, or °C with its standard
// uncertainty.
type known struct {
	text  string // as it was given
	value float64
	uC    float64
	ask   bool // it is told at the point
}

type point struct {
	known
	shown float64
}

// Standard uncertainties of known temperatures (common practice, no source).
const (
	iceUC         = 0.05 // crushed ice with just enough water, stirred
	boilingUC     = 0.1  // besides that of the pressure:
	barometerUHPa = 1
	weatherUHPa   = 10   // the standard atmosphere at an altitude against the true one
	boilingCHPa   = 0.03 // °C a hPa: 0.028 at sea level, 0.034 at 2000 m
)

// prepare checks what was asked for before any port is opened.
func (c *calibrating) prepare() error {
	o := c.options
	switch {
	case !(o.weightsUPct >= 0 && o.weightsUPct <= 5):
		return fmt.Errorf("--weights-u-pct: %g is not from 0 to 5", o.weightsUPct)
	case !(o.referenceUC >= 0 && o.referenceUC <= 10):
		return fmt.Errorf("--reference-u-c: %g is not from 0 to 10", o.referenceUC)
	case !(o.resolutionC > 0 && o.resolutionC <= 5):
		return fmt.Errorf("--resolution-c: %g is not above 0 and at most 5", o.resolutionC)
	case o.dueDays < 1 || o.dueDays > 3650:
		return fmt.Errorf("--due-days: %d is not from 1 to 3650", o.dueDays)
	}
	if o.by == "" {
		if me, err := user.Current(); err == nil {
			o.by = me.Username
		}
	}
	if o.pressureHPa == 0 && o.atAltitude {
		var err error
		if o.pressureHPa, err = fillcalc.PressureHPa(o.altitudeM); err != nil {
			return fmt.Errorf("--altitude-m: %w", err)
		}
	} else if o.pressureHPa != 0 {
		o.atAltitude = false // the barometer tells more
		if _, err := fillcalc.BoilingC(o.pressureHPa); err != nil {
			return fmt.Errorf("--pressure-hpa: %w", err)
		}
	}
	zero, loads := false, 0
	for _, text := range o.points {
		k, err := c.parse(text)
		if err != nil {
			return fmt.Errorf("--point: %w", err)
		}
		zero = zero || !k.ask && k.value == 0
		if k.value > 0 {
			loads++
		}
		c.plan = append(c.plan, k)
	}
	if c.quantity == sensors.Weight && len(c.plan) > 0 && (!zero || loads == 0) {
		return errors.New("--point: give 0 and one known weight at least, better two")
	}
	return nil
}

// parse reads a known value: a number with its unit, or one of the words for a
// temperature.
func (c *calibrating) parse(text string) (known, error) {
	k := known{text: strings.TrimSpace(text)}
	word := strings.ToLower(strings.ReplaceAll(k.text, "°", ""))
	if c.quantity == sensors.Temperature {
		switch word {
		case "ice":
			k.uC = iceUC
			return k, nil
		case "boiling":
			return c.boiling(k)
		case "reference":
			k.ask = true
			return k, nil
		}
	}
	number, unit := word, ""
	if i := strings.IndexFunc(word, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) }); i >= 0 {
		number, unit = word[:i], strings.TrimSpace(word[i:])
	}
	whole, fraction, _ := strings.Cut(number, ".")
	digits, err := strconv.ParseInt(whole+fraction, 10, 64)
	decimal := fillcalc.Decimal{Digits: digits, Exp: -len(fraction)}
	fits := false
	if c.quantity == sensors.Weight {
		if err == nil && digits == 0 && unit == "" {
			return k, nil
		}
		mass, unitErr := fillcalc.ParseMassUnit([]byte(unit))
		if err != nil || unitErr != nil {
			return known{}, fmt.Errorf("%q is no weight with its unit, as in 2 kg, 500 g, 5 lb", text)
		}
		if k.value, fits = mass.Kg(decimal); !fits || !(k.value >= 0 && k.value <= c.instrument.CapacityKg) {
			return known{}, fmt.Errorf("%q does not lie from 0 to the scale's capacity of %g kg", text, c.instrument.CapacityKg)
		}
		return k, nil
	}
	temperature, unitErr := fillcalc.ParseTemperatureUnit([]byte(unit))
	if err != nil || unitErr != nil {
		return known{}, fmt.Errorf("%q is none of ice, boiling, reference, and no temperature with its unit, as in 60 C, 140 F", text)
	}
	k.uC = c.options.referenceUC
	if k.value, fits = temperature.Celsius(decimal); !fits || !(k.value >= -60 && k.value <= 250) {
		return known{}, fmt.Errorf("%q does not lie from -60 to 250 °C", text)
	}
	return k, nil
}

func (c *calibrating) boiling(k known) (known, error) {
	if c.options.pressureHPa == 0 {
		return known{}, errors.New("boiling: where? Give --altitude-m or, better, --pressure-hpa")
	}
	var err error
	if k.value, err = fillcalc.BoilingC(c.options.pressureHPa); err != nil {
		return known{}, fmt.Errorf("boiling: %w", err)
	}
	uHPa := float64(barometerUHPa)
	if c.options.atAltitude {
		uHPa = weatherUHPa
	}
	k.uC = math.Hypot(boilingUC, boilingCHPa*uHPa)
	return k, nil
}

// run takes the points, and keeps what comes of them.
func (c *calibrating) run(ctx context.Context) error {
	if err := c.meter.hear(ctx); err != nil {
		return err
	}
	c.say("Calibrating %s of cart %s.", c.instrument.Name, c.options.cart)
	for {
		more, err := c.take(ctx)
		if err != nil {
			return err
		}
		if more {
			continue
		}
		record, err := c.fit(time.Now())
		if err == nil {
			return c.keep(record)
		}
		c.say("%v", err)
		if len(c.plan) > 0 {
			c.say("Take the last point again, or type back for those before.")
			c.points = c.points[:len(c.points)-1]
		}
	}
}

// take takes the next point, or drops the last one. more is false once there are
// no more to come.
func (c *calibrating) take(ctx context.Context) (more bool, err error) {
	next := known{ask: true}
	switch n := len(c.points); {
	case n < len(c.plan):
		next = c.plan[n]
	case len(c.plan) > 0:
		return false, nil
	case n == 0 && c.quantity == sensors.Weight:
		next = known{text: "0"}
	}
	c.say("%d: %s, then Enter", len(c.points)+1, c.invite(next))
	answer, err := c.answer(ctx)
	if err != nil {
		return false, err
	}
	switch {
	case answer == "":
	case answer == "back":
		c.points = c.points[:max(len(c.points)-1, 0)]
		return true, nil
	case answer == "done" && len(c.plan) == 0:
		return false, nil
	default:
		c.say("%q is not understood here: press Enter, or type back or done", answer)
		return true, nil
	}
	shown, err := c.settle(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return false, err
		}
		c.say("%v", err)
		return true, nil
	}
	c.say("rests at %s", c.written(shown))
	for next.ask {
		c.say("What is it truly? %s", map[sensors.Quantity]string{
			sensors.Weight: "(2 kg, 5 lb; or back)", sensors.Temperature: "(ice, boiling, 60.2 C; or back)"}[c.quantity])
		answer, err := c.answer(ctx)
		if err != nil {
			return false, err
		}
		if answer == "back" {
			return true, nil // this reading is dropped, the points before stay
		}
		if next, err = c.parse(answer); err != nil {
			c.say("%v", err)
			next.ask = true
		}
	}
	c.points = append(c.points, point{next, shown})
	return true, nil
}

func (c *calibrating) invite(k known) string {
	switch {
	case c.quantity == sensors.Weight && k.ask:
		return "lay on a known weight (or type done, back)"
	case c.quantity == sensors.Weight && k.value == 0:
		return "empty the scale, but for what always stands on it"
	case c.quantity == sensors.Weight:
		return "lay on " + k.text + " in all"
	case k.ask && len(c.plan) == 0:
		return "bring the probe to a known temperature (or type done, back)"
	case k.ask:
		return "put the probe beside the other thermometer"
	}
	return "bring the probe to: " + k.text
}

// resting says when a reading has settled: it stayed in a narrow band for so
// long. The later half of that is averaged: by then a slow filter or probe is
// nearly there.
type resting struct{ long, patience time.Duration }

// Common practice, no source.
var restingOf = map[sensors.Quantity]resting{
	sensors.Weight:      {5 * time.Second, time.Minute},
	sensors.Temperature: {time.Minute, 20 * time.Minute},
}

// settle waits until the sensor's reading rests and returns its mean. Only what
// is measured from now on counts.
func (c *calibrating) settle(ctx context.Context) (mean float64, err error) {
	rest := restingOf[c.quantity]
	bandWide := 2*c.options.resolutionC + 1e-9
	if c.quantity == sensors.Weight {
		bandWide = c.instrument.ResolutionKg + 4**c.instrument.RepeatabilityKg
	}
	var window []sensors.Reading
	lowest, highest := 0.0, 0.0
	trouble := "it keeps moving"
	look := time.NewTicker(100 * time.Millisecond)
	defer look.Stop()
	defer c.wipe()
	for end := c.clock.Elapsed() + rest.patience; c.clock.Elapsed() < end; {
		var r sensors.Reading
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-look.C:
			if s := c.meter.now(); s.Condition != sensors.Good {
				trouble, window = s.Text(c.meter.age), nil
			}
			continue
		case r = <-c.meter.readings:
		}
		if r.Faults.Hidden() {
			trouble, window = "it reports "+strings.Join(r.Faults.Names(), ", "), nil
			continue
		}
		c.show(r.Value)
		lowest, highest = math.Min(lowest, r.Value), math.Max(highest, r.Value)
		if len(window) == 0 || highest-lowest > bandWide {
			window, lowest, highest = window[:0], r.Value, r.Value
			trouble = "it keeps moving"
		}
		window = append(window, r)
		restedNs := r.AtNs - window[0].AtNs
		if len(window) < 5 || restedNs < int64(rest.long) || r.Stability == fillcalc.InMotion {
			continue
		}
		sum, n := 0.0, 0.0
		for _, w := range window {
			if r.AtNs-w.AtNs <= restedNs/2 {
				sum += w.Value
				n++
			}
		}
		return sum / n, nil
	}
	return 0, fmt.Errorf("%s does not come to rest: %s", c.instrument.Name, trouble)
}

// fit works out the calibration.
func (c *calibrating) fit(at time.Time) (config.Calibration, error) {
	o := c.options
	atNs, dueNs := at.UnixNano(), at.AddDate(0, 0, o.dueDays).UnixNano()
	record := config.Calibration{
		At: at.UTC().Format(time.RFC3339), Cart: o.cart, Sensor: o.sensor,
		By: o.by, Equipment: o.equipment, Version: wire.Version,
	}
	if c.quantity == sensors.Weight {
		record.WeightsUPct = o.weightsUPct
		var points []fillcalc.ScalePoint
		for _, p := range c.points {
			points = append(points, fillcalc.ScalePoint{KnownKg: p.value, ShownKg: p.shown})
		}
		scale := fillcalc.ScaleSetup{ResolutionKg: c.instrument.ResolutionKg, RepeatabilityKg: *c.instrument.RepeatabilityKg}
		fit, err := fillcalc.FitScale(points, scale, o.weightsUPct/100, atNs, dueNs)
		record.Scale = &fit
		return record, err
	}
	record.PressureHPa = o.pressureHPa
	var points []fillcalc.ProbePoint
	for _, p := range c.points {
		u := math.Hypot(p.uC, o.resolutionC/math.Sqrt(12)) // the display's rounding: GUM F.2.2.1
		points = append(points, fillcalc.ProbePoint{KnownC: p.value, ShownC: p.shown, UC: u})
	}
	fit, err := fillcalc.FitProbe(points, atNs, dueNs)
	record.Probe = &fit
	return record, err
}

// keep reports a calibration and adds it to the sensor's file.
func (c *calibrating) keep(record config.Calibration) error {
	c.say("")
	if record.Scale != nil {
		c.reportScale(record.Scale)
	} else {
		c.reportProbe(record.Probe)
	}
	if err := config.AppendCalibration(c.path, record); err != nil {
		return err
	}
	c.say("%s", config.CalibrationState(&record, record.AtNs()))
	fmt.Fprintf(c.out, "kept in %s\n", c.path)
	c.say("It counts from the bridge's next start.")
	if !record.Passed() {
		return fmt.Errorf("%s is out of tolerance: adjust, repair or replace it, and calibrate again", c.options.sensor)
	}
	return nil
}

func (c *calibrating) reportScale(fit *fillcalc.ScaleFit) {
	fmt.Fprintln(c.out, "known kg   shown kg   error g  when new  in service")
	doubtful := false
	for _, p := range fit.Points {
		verdict := "good"
		switch {
		case !p.Within(p.ServiceKg):
			verdict = "FAILS"
		case !p.Within(p.InitialKg):
			verdict = "worn"
		}
		fmt.Fprintf(c.out, "%8.4f  %9.4f  %+8.1f  %8s  %10s  %s\n", p.KnownKg, p.ShownKg, p.ErrorKg*1000,
			fmt.Sprintf("±%.1f", p.InitialKg*1000), fmt.Sprintf("±%.1f", p.ServiceKg*1000), verdict)
		// Weights may be off by a third of the tolerance (OIML R 76-1, 3.7.1, from
		// memory).
		doubtful = doubtful || 2*c.options.weightsUPct/100*p.KnownKg > p.ServiceKg/3
	}
	c.say("Tolerances: OIML R 76-1, class III. Not legal for trade.")
	c.say("%.6f kg for each kg shown, ± %.6f (k = 2); zero at %.4f kg", fit.Slope, 2*fit.SlopeU, fit.ZeroKg)
	if len(fit.Points) < 3 {
		c.say("With one weight only, a scale that is not straight goes unseen: two or more tell.")
	}
	if fit.SlopeU > 0.001 {
		c.say("The slope is known to ±%.2g %% only: heavier weights tell more.", 200*fit.SlopeU)
	}
	if doubtful {
		c.say("These weights are too uncertain to judge a scale by: their U is above a third of the tolerance.")
	}
}

func (c *calibrating) reportProbe(fit *fillcalc.ProbeFit) {
	fmt.Fprintln(c.out, "known °C  shown °C  error °C  allowed")
	for _, p := range fit.Points {
		verdict := "good"
		if !p.Within() {
			verdict = "FAILS"
		}
		fmt.Fprintf(c.out, "%8.2f  %8.2f  %+8.2f  %7s  %s\n", p.KnownC, p.ShownC, p.ErrorC, fmt.Sprintf("±%.2f", p.LimitC), verdict)
	}
	c.say("Tolerances: IEC 60751, class B.")
	for _, shown := range []float64{fit.BestC, 40} {
		c.say("shown %.1f °C is %.2f ± %.2f °C (k = 2)", shown, fit.Correct(shown), 2*fit.UAt(shown))
	}
}

// say writes a paragraph.
func (c *calibrating) say(format string, args ...any) {
	for _, line := range wrap.Lines(fmt.Sprintf(format, args...), calibrateWidth) {
		fmt.Fprintln(c.out, line)
	}
}

func (c *calibrating) written(value float64) string {
	if c.quantity == sensors.Weight {
		return fmt.Sprintf("%.4f kg", value)
	}
	return fmt.Sprintf("%.2f °C", value)
}

// show lets somebody at a terminal watch the reading; wipe takes it away.
func (c *calibrating) show(value float64) {
	if c.live {
		fmt.Fprintf(c.out, "\r\x1b[K  %s", c.written(value))
	}
}

func (c *calibrating) wipe() {
	if c.live {
		fmt.Fprint(c.out, "\r\x1b[K")
	}
}

// answer waits for a line.
func (c *calibrating) answer(ctx context.Context) (string, error) {
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case line, more := <-c.lines:
		switch {
		case !more && ctx.Err() != nil:
			return "", ctx.Err()
		case !more:
			return "", errors.New("the input ended before the calibration did: nothing was recorded")
		}
		return strings.ToLower(strings.TrimSpace(line)), nil
	}
}

// readLines hands on the lines of in until ctx ends. Nothing frees a goroutine
// that waits for a terminal: it ends with the process, and holds nothing.
func readLines(ctx context.Context, in io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for scanner := bufio.NewScanner(in); scanner.Scan(); {
			select {
			case lines <- scanner.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return lines
}

// meter takes what the sensor's goroutine gives. A reading is handed on only
// while somebody waits for one, and the sensor never waits: whatever is read is
// fresh.
type meter struct {
	readings chan sensors.Reading
	clock    *clock.Clock
	mu       sync.Mutex
	status   sensors.Status
}

func (m *meter) read(r sensors.Reading, _ error) {
	select {
	case m.readings <- r:
	default:
	}
}

func (m *meter) tell(s sensors.Status) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.status = s
}

func (m *meter) now() sensors.Status {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.status
}

// age writes how long ago a time of the sensor's clock was.
func (m *meter) age(ns int64) string { return fmt.Sprintf("%.0f s", float64(m.clock.NowNs()-ns)/1e9) }

// hear waits until the sensor speaks. The error says what is wrong with its port.
func (m *meter) hear(ctx context.Context) error {
	for {
		switch s := m.now(); s.Condition {
		case "", sensors.Starting:
		case sensors.Good:
			return nil
		case sensors.Busy:
			return fmt.Errorf("%s; the bridge must not run while its sensor is calibrated", s.Text(m.age))
		default:
			return errors.New(s.Text(m.age))
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}
