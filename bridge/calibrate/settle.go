package calibrate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/clock"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// settling says when a reading has settled: it has stayed within a narrow band for
// so long. Only the later half of that time is averaged: by then a slow filter or
// probe has nearly reached its final value.
type settling struct{ duration, timeout time.Duration }

// Common practice, no source.
var (
	weightSettling      = settling{5 * time.Second, time.Minute}
	temperatureSettling = settling{time.Minute, 20 * time.Minute}
)

// settle waits until the sensor's reading has settled and returns its mean, in kg or
// °C. Only readings from now on count. The error says why it did not settle in time.
func (s *Session) settle(ctx context.Context) (mean float64, err error) {
	rule, bandWidth := temperatureSettling, 2*s.options.ResolutionC+1e-9
	if s.weighs() {
		rule, bandWidth = weightSettling, s.sensor.ResolutionKg+4**s.sensor.RepeatabilityKg
	}
	const moving = "its reading keeps changing"
	cause := moving
	var window []sensors.Reading
	lowest, highest := 0.0, 0.0
	statusTick := time.NewTicker(100 * time.Millisecond)
	defer statusTick.Stop()
	defer s.clearReading()
	end := s.clock.Elapsed() + rule.timeout
	shows := func(value float64) {
		still := time.Duration(0)
		if n := len(window); n > 0 {
			still = time.Duration(window[n-1].AtNs - window[0].AtNs)
		}
		s.showSettling(value, still, rule.duration, end-s.clock.Elapsed())
	}
	for s.clock.Elapsed() < end {
		var r sensors.Reading
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-statusTick.C:
			if status := s.meter.now(); status.Condition != sensors.Good {
				cause, window = status.Text(s.meter.age), nil
			}
			continue
		case r = <-s.meter.readings:
		}
		if r.Faults.Hidden() {
			cause, window = "it reports "+strings.Join(r.Faults.Names(), ", "), nil
			continue
		}
		lowest, highest = math.Min(lowest, r.Value), math.Max(highest, r.Value)
		if len(window) == 0 || highest-lowest > bandWidth {
			window, lowest, highest = window[:0], r.Value, r.Value
			cause = moving
		}
		window = append(window, r)
		shows(r.Value)
		settled := len(window) >= 5 && r.AtNs-window[0].AtNs >= int64(rule.duration)
		if settled && r.Stability != fillcalc.InMotion {
			return meanOfLaterHalf(window), nil
		}
	}
	return 0, fmt.Errorf("%s did not settle: %s", s.options.Sensor, cause)
}

// meanOfLaterHalf averages the readings of the later half of a window's time.
func meanOfLaterHalf(window []sensors.Reading) float64 {
	endNs := window[len(window)-1].AtNs
	halfNs := (endNs - window[0].AtNs) / 2
	sum, n := 0.0, 0.0
	for _, r := range window {
		if endNs-r.AtNs <= halfNs {
			sum += r.Value
			n++
		}
	}
	return sum / n
}

// meter receives what the sensor's goroutine delivers. A reading is passed on only
// while somebody waits for one, and the sensor never waits: every reading that is
// passed on is fresh.
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

func (m *meter) setStatus(s sensors.Status) {
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

// waitForFrames waits until the sensor delivers frames. The error says what is wrong
// with its port.
func (m *meter) waitForFrames(ctx context.Context) error {
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
