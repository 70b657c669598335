package main

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// technician does a whole invented job on the simulated cart. It acts on the rig, sees
// only what the bridge publishes, and sends commands over MQTT.
type technician struct {
	*stage
	reader words.Reader
	say    func(fillcalc.Text)
	show   func(s shown, at time.Duration)

	sent     int // commands so far
	answered int // the last change that was answered
}

// publishTimeout limits every wait for something to be published, by the cart's clock.
const publishTimeout = 40 * time.Minute

// chapter is a part of the job that can be shown by itself.
type chapter struct {
	name  string
	parts []func(context.Context) error
}

// auditChapter follows those of the job.
const auditChapter = "audit"

func (t *technician) chapters() []chapter {
	return []chapter{
		{"drain", []func(context.Context) error{t.open, t.drain, t.wrench, t.drips, t.tipPan, t.service}},
		{"fill", []func(context.Context) error{t.plan, t.firstFill}},
		{"check", []func(context.Context) error{t.warmUp, t.topUp, t.check, t.close}},
	}
}

// job does the job. Before each chapter it calls begin, which says whether to go on.
func (t *technician) job(ctx context.Context, begin func(chapter string) bool) error {
	for _, c := range t.chapters() {
		if !begin(c.name) {
			return nil
		}
		for _, part := range c.parts {
			if err := part(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// until waits for a published state; what names it in the error.
func (t *technician) until(ctx context.Context, what string, wanted func(shown) bool) error {
	for end := t.clock.Elapsed() + publishTimeout; t.clock.Elapsed() < end; {
		if err := t.shown(ctx); err != nil {
			return err
		}
		s := t.station.look()
		t.show(s, t.clock.Elapsed())
		if err := t.answer(ctx, s.job); err != nil {
			return err
		}
		if wanted(s) {
			return nil
		}
		if err := t.step(ctx, 200*time.Millisecond); err != nil {
			return err
		}
	}
	return words.NewError("usage.demo_waited", "what", what)
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
		t.tell("demo.asks", nil, names{"question": q.For(t.reader), "answer": string(as)})
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

// tell says what the technician does or learns.
func (t *technician) tell(key string, f figures, n names) {
	t.say(fillcalc.Text{Key: key, Figures: f, Names: n})
}

func (t *technician) do(ctx context.Context, do string, fields map[string]any) error {
	// An id that is the same in every demo of a seed.
	message := map[string]any{"id": fmt.Sprintf("demo-%d", t.sent+1)}
	t.sent++
	maps.Copy(message, fields)
	_, err := t.station.command(ctx, do, message)
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
	t.tell("demo.van", nil, nil)
	if err := t.until(ctx, "the cart's sensors", func(s shown) bool { return s.window.QualityCode == string(fillcalc.QualityNotOpen) && sound(s.alerts) }); err != nil {
		return err
	}
	err := t.do(ctx, "open", map[string]any{
		"vehicle": "van, bay 2", "used_fluid": demoUsed.Name, "fluid": demoFresh.Name, "low_c": 35, "high_c": 45,
		"typical_l": 4, "total_l": 9.5, "bottle_l": t.bottle(), "between_marks_l": 0.4, "by": demoUser,
	})
	if err != nil {
		return err
	}
	if err := t.record(ctx, map[string]any{"item": "level_before", "result": "not_done", "note": t.reader.Word("demo.trailer")}); err != nil {
		return err
	}
	if err := t.until(ctx, "a scale that stands still", quiet); err != nil {
		return err
	}
	return t.pass(ctx, 10*time.Second) // the longer it stands, the better it is weighed
}

// bottle is the size of the bottles that the fresh fluid comes in.
func (t *technician) bottle() string {
	if t.reader.Units == units.US {
		return "1 qt"
	}
	return "1 L"
}

// sound says whether there is no alert, except that an instrument must be calibrated.
func sound(m wire.Alerts) bool {
	return !slices.ContainsFunc(m.Alerts, func(a wire.Alert) bool { return a.Code != wire.AlertCalibration })
}

func (t *technician) drain(ctx context.Context) error {
	t.tell("demo.pan_open", nil, nil)
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
	changes := func(n int) func(shown) bool {
		return func(s shown) bool { return len(s.job.Changes) >= len(before.job.Changes)+n }
	}
	t.tell("demo.wrench", figures{"wrench_kg": wrenchKg}, nil)
	t.rig.Do(func(c *sim.Cart) { c.LayOnCaddy(wrenchKg) })
	if err := t.until(ctx, "the wrench", changes(1)); err != nil {
		return err
	}
	if err := t.pass(ctx, 2*time.Second); err != nil {
		return err
	}
	s := t.station.look()
	t.tell("demo.wrench_counts", figures{"before_l": float64(before.volumes.DrainedL), "now_l": float64(s.volumes.DrainedL), "undecided_l": float64(s.volumes.UndecidedL)}, nil)
	if err := t.pass(ctx, 10*time.Second); err != nil {
		return err
	}
	t.tell("demo.wrench_away", nil, nil)
	t.rig.Do(func(c *sim.Cart) { c.TakeFromCaddy(wrenchKg) })
	if err := t.until(ctx, "the wrench to go", changes(2)); err != nil {
		return err
	}
	for _, c := range t.station.look().job.Changes {
		if c.By == fillcalc.BySignal && c.Kg < 0 {
			t.tell("demo.wrench_gone", figures{"went_kg": -float64(c.Kg)}, nil)
		}
	}
	return t.pass(ctx, 3*time.Second)
}

// drips waits as long as more fluid is worth it.
func (t *technician) drips(ctx context.Context) error {
	report := func(key string) {
		if tail := t.station.look().job.Tail; tail != nil {
			t.tell(key, figures{"more_l": float64(tail.In5MinL), "more_u_l": float64(tail.In5MinUL)}, nil)
		}
	}
	report("demo.drips")
	err := t.pass(ctx, 4*time.Minute)
	report("demo.drips_enough")
	return err
}

func (t *technician) tipPan(ctx context.Context) error {
	t.tell("demo.pan_tipped", nil, nil)
	changes := len(t.station.look().job.Changes)
	t.rig.Do(func(c *sim.Cart) { c.CloseDrain(); c.TipPan(1200 * time.Millisecond) })
	return t.until(ctx, "the tipped fluid", func(s shown) bool {
		return quiet(s) && len(s.job.Changes) > changes
	})
}

func (t *technician) service(ctx context.Context) error {
	t.tell("demo.to_service", nil, nil)
	if err := t.phase(ctx, "service"); err != nil {
		return err
	}
	if err := t.until(ctx, "the answers", func(s shown) bool { return s.job.Phase == "service" && len(s.job.Questions) == 0 }); err != nil {
		return err
	}
	t.tell("demo.service", nil, nil)
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
	t.tell("demo.plan", figures{"target_l": float64(p.TargetL), "target_u_l": float64(p.TargetUL), "first_fill_l": float64(p.FirstFillL), "bottle_l": float64(t.station.look().job.ServiceData.BottleL), "count": float64(*p.Bottles)}, nil)
	for i := range p.Notes {
		t.tell("demo.note", nil, names{"note": p.Notes[i].For(t.reader)})
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
	t.tell("demo.first_fill", figures{"more_l": float64(t.station.look().volumes.RemainingL)}, nil)
	return t.pour(ctx, 0.02)
}

func (t *technician) warmUp(ctx context.Context) error {
	if err := t.phase(ctx, "running"); err != nil {
		return err
	}
	t.tell("demo.engine", nil, nil)
	t.rig.Do((*sim.Cart).StartEngine)
	// Each gear about five seconds (common practice, no source).
	for _, gear := range []string{"R", "N", "D", "2", "1", "P"} {
		t.tell("demo.gear", nil, names{"gear": gear})
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
	t.tell("demo.top_up", figures{"more_l": float64(t.station.look().volumes.RemainingL)}, nil)
	return t.pour(ctx, 0.005)
}

func (t *technician) check(ctx context.Context) error {
	t.tell("demo.waiting", nil, nil)
	if err := t.until(ctx, "the check window", func(s shown) bool { return s.window.State == "open" && s.window.TempC >= s.window.LowC }); err != nil {
		return err
	}
	w := t.station.look().window
	t.tell("demo.judged", figures{"at_c": float64(w.TempC), "shift_l": float64(w.LevelShiftML) / 1000}, nil)
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
	t.tell("demo.last_weighing", nil, nil)
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
	t.tell("demo.largest_term", figures{"smaller_pct": withoutPct(float64(largest.Pct))}, names{"budget": largest.Name})
	return nil
}
