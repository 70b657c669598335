package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"bayfill/bridge/clock"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// technician does a whole invented job on the simulated cart. It acts on the rig, sees
// only what the bridge publishes, and sends commands over MQTT.
type technician struct {
	rig     *sim.Rig
	station *station
	clock   *clock.Clock
	say     func(what string)
	show    func(s shown)

	answered int // the last change that was answered
}

// publishTimeout limits every wait for something to be published, by the cart's clock.
const publishTimeout = 40 * time.Minute

func (t *technician) job(ctx context.Context) error {
	for _, part := range []func(context.Context) error{t.open, t.drain, t.wrench, t.drips, t.tipPan, t.service, t.plan, t.firstFill, t.warmUp, t.topUp, t.check, t.close} {
		if err := part(ctx); err != nil {
			return err
		}
	}
	return nil
}

// until waits for a published state; what names it in the error.
func (t *technician) until(ctx context.Context, what string, wanted func(shown) bool) error {
	end := t.clock.Elapsed() + publishTimeout
	for t.clock.Elapsed() < end {
		s := t.station.look()
		t.show(s)
		if err := t.answer(ctx, s.job); err != nil {
			return err
		}
		if wanted(s) {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(t.clock.RealTime(200 * time.Millisecond)):
		}
	}
	return fmt.Errorf("timed out waiting for %s", what)
}

// wrenchKg is the weight of the tool that is laid on the caddy for a while.
const wrenchKg = 0.45

// answer answers the questions. Whatever does not weigh as much as the wrench is fluid.
func (t *technician) answer(ctx context.Context, j wire.Job) error {
	for _, q := range j.Questions {
		if q.Change <= t.answered {
			continue // the message is older than the answer
		}
		as := fillcalc.AsFluid
		if math.Abs(math.Abs(float64(q.Kg))-wrenchKg) < 0.03 {
			as = fillcalc.AsGone
		}
		t.say(fmt.Sprintf("The bridge asks: %s Answer: %s.", q.Text, as))
		if err := t.do(ctx, string(fillcalc.DoAnswer), map[string]any{"change": q.Change, "change_at": q.At, "as": string(as), "by": demoUser}); err != nil {
			return err
		}
		t.answered = q.Change
	}
	return nil
}

// pass lets time pass.
func (t *technician) pass(ctx context.Context, d time.Duration) error {
	end := t.clock.Elapsed() + d
	return t.until(ctx, "time", func(shown) bool { return t.clock.Elapsed() >= end })
}

func (t *technician) do(ctx context.Context, do string, fields map[string]any) error {
	_, err := t.station.command(ctx, do, fields)
	return err
}

func (t *technician) phase(ctx context.Context, to string) error {
	return t.press(ctx, "phase", map[string]any{"phase": to, "by": demoUser})
}

// press sends a command again while it is refused, because a scale has not settled.
func (t *technician) press(ctx context.Context, do string, fields map[string]any) error {
	for end := t.clock.Elapsed() + 3*time.Minute; ; {
		err := t.do(ctx, do, fields)
		if err == nil || t.clock.Elapsed() > end {
			return err
		}
		if err := t.pass(ctx, 2*time.Second); err != nil {
			return err
		}
	}
}

// record records pieces of work; the result is done unless it is given.
func (t *technician) record(ctx context.Context, items ...map[string]any) error {
	for _, fields := range items {
		if _, given := fields["result"]; !given {
			fields["result"] = "done"
		}
		fields["by"] = demoUser
		if err := t.do(ctx, "record", fields); err != nil {
			return err
		}
	}
	return nil
}

// quiet says whether the tally is known and nothing flows.
func quiet(s shown) bool {
	v := s.volumes
	return v.QualityCode == string(fillcalc.QualityGood) && math.Abs(float64(v.DrainedLMin)) < 0.1 && !(math.Abs(float64(v.AddedLMin)) > 0.1)
}

func (t *technician) open(ctx context.Context) error {
	t.say("A van stands in bay 2; its transmission's pan has no drain plug.")
	if err := t.until(ctx, "the cart's sensors", func(s shown) bool { return s.window.QualityCode == string(fillcalc.QualityNotOpen) && sound(s.alerts) }); err != nil {
		return err
	}
	err := t.do(ctx, "open", map[string]any{
		"vehicle": "van, bay 2", "used_fluid": demoUsed.Name, "fluid": demoFresh.Name, "low_c": 35, "high_c": 45,
		"typical_l": 4, "total_l": 9.5, "bottle_l": 1, "between_marks_l": 0.4, "by": demoUser,
	})
	if err != nil {
		return err
	}
	if err := t.record(ctx, map[string]any{"item": "level_before", "result": "not_done", "note": "came on a trailer"}); err != nil {
		return err
	}
	if err := t.until(ctx, "a scale that stands still", quiet); err != nil {
		return err
	}
	return t.pass(ctx, 10*time.Second) // the longer it stands, the better it is weighed
}

// sound says whether there is no alert, except that the simulated instruments have never
// been calibrated.
func sound(m wire.Alerts) bool {
	return !slices.ContainsFunc(m.Alerts, func(a wire.Alert) bool { return a.Code != wire.AlertCalibration })
}

func (t *technician) drain(ctx context.Context) error {
	t.say("Pan cracked open over the caddy.")
	if err := t.phase(ctx, "draining"); err != nil {
		return err
	}
	t.rig.Do((*sim.Cart).OpenDrain)
	return t.until(ctx, "drips", func(s shown) bool { return s.job.Tail != nil && s.job.Tail.Drips })
}

// wrench puts a tool on the caddy and takes it away again: the signal proves that it was
// not fluid.
func (t *technician) wrench(ctx context.Context) error {
	before := t.station.look()
	// On a machine too busy for the demo's speed the bridge may miss the signal. It asks
	// later then.
	changes := func(n int) func(shown) bool {
		end := t.clock.Elapsed() + 30*time.Second
		return func(s shown) bool { return len(s.job.Changes) >= len(before.job.Changes)+n || t.clock.Elapsed() > end }
	}
	t.say(fmt.Sprintf("A wrench of %.2f kg is laid on the caddy.", wrenchKg))
	t.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(wrenchKg) })
	if err := t.until(ctx, "the wrench", changes(1)); err != nil {
		return err
	}
	if err := t.pass(ctx, 2*time.Second); err != nil {
		return err
	}
	s := t.station.look()
	t.say(fmt.Sprintf("Drained %.3f L before, %.3f L now; undecided %.3f L.", float64(before.volumes.DrainedL), float64(s.volumes.DrainedL), float64(s.volumes.UndecidedL)))
	if err := t.pass(ctx, 10*time.Second); err != nil {
		return err
	}
	t.say("The wrench is taken away.")
	t.rig.Do(func(c *sim.Cart) { c.TakeFromCaddy(wrenchKg) })
	if err := t.until(ctx, "the wrench to go", changes(2)); err != nil {
		return err
	}
	for _, c := range t.station.look().job.Changes {
		if c.By == fillcalc.BySignal && c.Kg < 0 {
			t.say(fmt.Sprintf("%+.3f kg: the signal itself shows that it has gone again.", float64(c.Kg)))
		}
	}
	return t.pass(ctx, 3*time.Second)
}

// drips waits as long as more fluid is worth it.
func (t *technician) drips(ctx context.Context) error {
	report := func(next string) {
		// The tail is not known on a machine too busy for the demo's speed.
		if tail := t.station.look().job.Tail; tail != nil {
			t.say(fmt.Sprintf("Slowed to drips; five minutes more would gain %.2f L (± %.2f). %s", float64(tail.In5MinL), float64(tail.In5MinUL), next))
		}
	}
	report("Four minutes, then.")
	err := t.pass(ctx, 4*time.Minute)
	report("Enough.")
	return err
}

func (t *technician) tipPan(ctx context.Context) error {
	t.say("Pan taken off and tipped into the caddy.")
	changes := len(t.station.look().job.Changes)
	t.rig.Do(func(c *sim.Cart) { c.CloseDrain(); c.TipPan(1200 * time.Millisecond) })
	// On a machine too busy for the demo's speed the bridge may have missed the signal; the
	// account at the end shows it.
	deadline := t.clock.Elapsed() + 2*time.Minute
	return t.until(ctx, "the tipped fluid", func(s shown) bool {
		return quiet(s) && (len(s.job.Changes) > changes || t.clock.Elapsed() > deadline)
	})
}

func (t *technician) service(ctx context.Context) error {
	t.say("Only the caddy and its fluid stand on the scale: to service.")
	if err := t.phase(ctx, "service"); err != nil {
		return err
	}
	if err := t.until(ctx, "the answers", func(s shown) bool { return s.job.Phase == "service" && len(s.job.Questions) == 0 }); err != nil {
		return err
	}
	t.say("New filter and seal; pan and magnet cleaned; bolts by hand tool.")
	if err := t.pass(ctx, 2*time.Minute); err != nil {
		return err
	}
	return t.record(ctx, map[string]any{"item": "filter"}, map[string]any{"item": "seal", "count": 1}, map[string]any{"item": "magnet"},
		map[string]any{"item": "pan"}, map[string]any{"item": "flange"}, map[string]any{"item": "gasket"},
		map[string]any{"item": "torque", "specified": "11 N m", "applied": "97 in-lb"})
}

// plan reads the plan that the bridge publishes.
func (t *technician) plan(ctx context.Context) error {
	if err := t.phase(ctx, "filling"); err != nil {
		return err
	}
	if err := t.until(ctx, "the plan", func(s shown) bool { return quiet(s) && s.job.Phase == "filling" && s.job.Plan != nil }); err != nil {
		return err
	}
	p := t.station.look().job.Plan
	t.say(fmt.Sprintf("Plan: target %.2f L (± %.2f), first fill %.2f L, %d bottles of 1 L.",
		float64(p.TargetL), float64(p.TargetUL), float64(p.FirstFillL), *p.Bottles))
	for _, note := range p.Notes {
		t.say(note.Text)
	}
	return nil
}

// pour pours fluid until at most so many litres remain. Because eye and hand are slow,
// the last bit is poured in small portions.
func (t *technician) pour(ctx context.Context, enoughL float64) error {
	const fastKgS, slowKgS, earlyL = 0.05, 0.01, 0.2
	for range 20 {
		remains := float64(t.station.look().volumes.RemainingL)
		if remains <= enoughL {
			return nil
		}
		var err error
		if remains > 1.5*earlyL {
			t.rig.Do(func(c *sim.Cart) { c.StartPour(fastKgS) })
			err = t.until(ctx, "the poured fluid", func(s shown) bool { return float64(s.volumes.RemainingL) <= earlyL })
		} else {
			t.rig.Do(func(c *sim.Cart) { c.StartPour(slowKgS) })
			portionS := 0.8 * remains * demoFresh.Density15KgM3 / 1000 / slowKgS
			err = t.pass(ctx, time.Duration(portionS*float64(time.Second)))
		}
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
		if err := t.do(ctx, "gear", map[string]any{"gear": gear}); err != nil {
			return err
		}
		if err := t.pass(ctx, 6*time.Second); err != nil {
			return err
		}
	}
	if err := t.do(ctx, "gear", nil); err != nil {
		return err
	}
	return t.record(ctx, map[string]any{"item": "leaks"})
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
		t.say("The window has passed: in life the level is judged after the fluid has cooled.")
		return nil
	}
	w := t.station.look().window
	t.say(fmt.Sprintf("The window is open at %.1f °C (level %+.0f mL against its middle): judged, it is right.", float64(w.TempC), float64(w.LevelShiftML)))
	if err := t.record(ctx, map[string]any{"item": "level", "result": "right"}); err != nil {
		return err
	}
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
	t.say("Only the containers and their fluid stand on the scales: they are weighed for the last time.")
	if err := t.press(ctx, "clear", map[string]any{"by": demoUser}); err != nil {
		return err
	}
	if err := t.pass(ctx, 5*time.Second); err != nil {
		return err
	}
	if err := t.press(ctx, "close", map[string]any{"by": demoUser}); err != nil {
		return err
	}
	if err := t.until(ctx, "the closed job", func(s shown) bool { return s.job.Phase == "closed" && s.volumes.Phase == "closed" }); err != nil {
		return err
	}
	largest := slices.MaxFunc(t.station.look().job.Uncertainty.Drained, func(a, b wire.BudgetTerm) int { return cmp.Compare(a.Pct, b.Pct) })
	t.say(fmt.Sprintf("What makes the ± of drained most: %s (%.0f %% of its square).", largest.Name, float64(largest.Pct)))
	return nil
}
