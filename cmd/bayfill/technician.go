package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge"
	"bayfill/sim"
)

// technician does a whole invented job on the simulated cart: the hands work
// on the rig, the eyes see only what the bridge publishes, and the keypad is
// MQTT.
type technician struct {
	rig     *sim.Rig
	station *station
	clock   *bridge.Clock
	say     func(what string)
	show    func(s shown)
	decided int // the last step that was answered
}

// patience bounds every wait for something to be published.
const patience = 40 * time.Minute

func (t *technician) job(ctx context.Context) error {
	steps := []func(context.Context) error{t.open, t.drain, t.tipPan, t.service, t.firstFill, t.warmUp, t.topUp, t.check, t.close}
	for _, step := range steps {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

// until looks at what is published until it is as wanted.
func (t *technician) until(ctx context.Context, what string, wanted func(shown) bool) error {
	end := t.clock.Elapsed() + patience
	for t.clock.Elapsed() < end {
		s := t.station.look()
		t.show(s)
		if err := t.decide(ctx, s.job); err != nil {
			return err
		}
		if wanted(s) {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(t.clock.Life(200 * time.Millisecond)):
		}
	}
	return fmt.Errorf("waited in vain for %s", what)
}

// decide tells the bridge what a step was. This technician lays down no tools:
// whatever comes suddenly is fluid.
func (t *technician) decide(ctx context.Context, j bridge.JobMessage) error {
	for _, step := range j.Undecided {
		if step.Step <= t.decided {
			continue // the message is older than the answer
		}
		t.say(fmt.Sprintf("The bridge asks: what were the %+.3f kg on %s? Fluid.", float64(step.Kg), step.Sensor))
		if err := t.do(ctx, "decide", map[string]any{"step": step.Step, "as": "fluid", "by": demoUser}); err != nil {
			return err
		}
		t.decided = step.Step
	}
	return nil
}

// pass lets time go by.
func (t *technician) pass(ctx context.Context, d time.Duration) error {
	end := t.clock.Elapsed() + d
	return t.until(ctx, "time", func(shown) bool { return t.clock.Elapsed() >= end })
}

func (t *technician) do(ctx context.Context, do string, fields map[string]any) error {
	_, err := t.station.command(ctx, do, fields)
	return err
}

func (t *technician) phase(ctx context.Context, to string) error {
	return t.do(ctx, "phase", map[string]any{"phase": to})
}

// quiet is a tally that is known and has stopped moving.
func quiet(s shown) bool {
	v := s.volumes
	return v.Quality == "good" && math.Abs(float64(v.DrainedLMin)) < 0.1 && !(math.Abs(float64(v.AddedLMin)) > 0.1)
}

func (t *technician) open(ctx context.Context) error {
	t.say("A van stands in bay 2; its transmission's pan has no drain plug.")
	if err := t.until(ctx, "the cart's sensors", func(s shown) bool { return s.window.Quality == "no job is open" && sound(s.alerts) }); err != nil {
		return err
	}
	return t.do(ctx, "open", map[string]any{
		"vehicle": "van, bay 2", "used_fluid": demoUsed.Name, "fluid": demoFresh.Name, "low_c": 35, "high_c": 45, "by": demoUser,
	})
}

// sound tells whether nothing is wrong but that simulated instruments have never
// been calibrated.
func sound(m bridge.AlertsMessage) bool {
	return !slices.ContainsFunc(m.Alerts, func(a bridge.Alert) bool { return !strings.HasPrefix(a.Kind, "calibration:") })
}

func (t *technician) drain(ctx context.Context) error {
	t.say("Pan cracked open over the caddy.")
	if err := t.phase(ctx, "draining"); err != nil {
		return err
	}
	t.rig.Do((*sim.Cart).OpenDrain)
	if err := t.pass(ctx, 2*time.Minute); err != nil {
		return err
	}
	err := t.until(ctx, "drips", func(s shown) bool { return quiet(s) && float64(s.volumes.DrainedL) > 1 })
	if err != nil {
		return err
	}
	t.say("It has slowed to drips. Three minutes more.")
	return t.pass(ctx, 3*time.Minute)
}

func (t *technician) tipPan(ctx context.Context) error {
	t.say("Pan taken off and tipped into the caddy.")
	before := float64(t.station.look().volumes.DrainedL)
	t.rig.Do(func(c *sim.Cart) { c.CloseDrain(); c.TipPan(1200 * time.Millisecond) })
	// On a machine too busy for the demo's speed the signal may have been lost to
	// the bridge; the account at the end tells.
	enough := t.clock.Elapsed() + 2*time.Minute
	return t.until(ctx, "the tipped fluid", func(s shown) bool {
		return quiet(s) && (float64(s.volumes.DrainedL) > before+0.2 || t.clock.Elapsed() > enough)
	})
}

func (t *technician) service(ctx context.Context) error {
	if err := t.phase(ctx, "service"); err != nil {
		return err
	}
	t.say("New filter and seal; pan and magnet cleaned; bolts by hand tool.")
	return t.pass(ctx, 2*time.Minute)
}

// pour lets fluid run until so much remains. Eye and hand are slow: the last
// bit is poured in small portions.
func (t *technician) pour(ctx context.Context, enough float64) error {
	for range 20 {
		remains := float64(t.station.look().volumes.RemainingL)
		if remains <= enough {
			return nil
		}
		kgS, early := 0.05, 0.06
		if remains < 0.15 {
			kgS, early = 0.02, 0.02
		}
		t.rig.Do(func(c *sim.Cart) { c.StartPour(kgS) })
		err := t.until(ctx, "the poured fluid", func(s shown) bool { return float64(s.volumes.RemainingL) <= enough+early })
		t.rig.Do((*sim.Cart).StopPour)
		if err != nil {
			return err
		}
		if err := t.pass(ctx, 8*time.Second); err != nil {
			return err
		}
		if err := t.until(ctx, "a quiet scale", quiet); err != nil {
			return err
		}
	}
	return nil
}

func (t *technician) firstFill(ctx context.Context) error {
	if err := t.phase(ctx, "filling"); err != nil {
		return err
	}
	if err := t.until(ctx, "a quiet scale", quiet); err != nil {
		return err
	}
	t.say(fmt.Sprintf("First fill: %.2f L.", float64(t.station.look().volumes.RemainingL)))
	return t.pour(ctx, 0.02)
}

func (t *technician) warmUp(ctx context.Context) error {
	if err := t.phase(ctx, "running"); err != nil {
		return err
	}
	t.say("Exhaust extraction on, engine started, foot on the brake.")
	t.rig.Do((*sim.Cart).StartEngine)
	// Each gear about five seconds (common practice, no source).
	for _, gear := range []string{"R", "N", "D", "2", "1", "P"} {
		t.say("Gear " + gear + ", held for five seconds.")
		if err := t.pass(ctx, 5*time.Second); err != nil {
			return err
		}
	}
	return nil
}

func (t *technician) topUp(ctx context.Context) error {
	if err := t.phase(ctx, "checking"); err != nil {
		return err
	}
	if err := t.until(ctx, "a quiet scale", quiet); err != nil {
		return err
	}
	t.say(fmt.Sprintf("Top-up: %.2f L.", float64(t.station.look().volumes.RemainingL)))
	return t.pour(ctx, 0.005)
}

func (t *technician) check(ctx context.Context) error {
	t.say("Waiting for the check window.")
	passed := func(s shown) bool { return s.window.State == "closing" || s.window.State == "above" }
	if err := t.until(ctx, "the check window", func(s shown) bool { return s.window.State == "open" || passed(s) }); err != nil {
		return err
	}
	if passed(t.station.look()) {
		// Only a machine too busy for the demo's speed gets here.
		t.say("The window has passed: in life the level is judged after it has cooled.")
		return nil
	}
	t.say(fmt.Sprintf("The window is open at %.1f °C: level judged, it is right.", float64(t.station.look().window.TempC)))
	return t.pass(ctx, 30*time.Second)
}

func (t *technician) close(ctx context.Context) error {
	t.rig.Do((*sim.Cart).StopEngine)
	if err := t.pass(ctx, 10*time.Second); err != nil {
		return err
	}
	if err := t.until(ctx, "a quiet scale", quiet); err != nil {
		return err
	}
	if err := t.do(ctx, "close", map[string]any{"by": demoUser}); err != nil {
		return err
	}
	return t.until(ctx, "the closed job", func(s shown) bool { return s.volumes.Phase == "closed" })
}
