package calibrate

import (
	"context"
	"math"
	"strings"
	"sync"
	"time"

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
	moving := fillcalc.Text{Key: "calibrate.moving"}
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
				cause, window = s.trouble(&status), nil
			}
			continue
		case r = <-s.meter.readings:
		}
		if r.Faults.Hidden() {
			cause, window = fillcalc.Text{Key: "calibrate.reports", Names: names{"frame": strings.Join(r.Faults.Names(), " ")}}, nil
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
	return 0, refuse("calibrate.not_settled", nil, names{"sensor": s.options.Sensor, "why": s.options.Reader.Say(cause)})
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

// trouble says what is wrong with the sensor.
func (s *Session) trouble(status *sensors.Status) fillcalc.Text {
	if status.Condition == sensors.Starting {
		return fillcalc.Text{Key: "calibrate.opening", Names: names{"port": status.Port}}
	}
	return s.sensor.Trouble(s.options.Cart, status)
}

// waitForFrames waits until the sensor delivers frames. The error says what is wrong
// with its port.
func (s *Session) waitForFrames(ctx context.Context) error {
	for {
		switch status := s.meter.now(); status.Condition {
		case "", sensors.Starting:
		case sensors.Good:
			return nil
		case sensors.Busy:
			return refuse("calibrate.port_busy", nil, names{"why": s.options.Reader.Say(s.trouble(&status))})
		default:
			return &fillcalc.Refusal{Text: s.trouble(&status)}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}
