package board

import (
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Each of the following functions shows one phase of the job: its figure, its picture and
// its answers.

func (s *screen) ready(c *cart) {
	m := &c.volumes.message
	s.Fig.Label = s.word("bay.room")
	s.volume(float64(m.CaddyFreeL), math.NaN())
	s.usual(c)
	s.Pic = s.caddy(c)
	s.levelBefore(c)
	s.opens("bay.give_up", "", dialog{ID: "abandon", Entries: []entry{{ID: "abandon-why", Name: "why", Label: s.word("bay.why"), Needed: true}},
		Answers: []answer{{Label: s.word("bay.give_up"), Commands: command("abandon"), With: "why"}}})
}

// levelBefore asks for the level before the service, which says whether fluid was missing, and
// offers to begin. Where the shop needs the level, one press each is enough.
func (s *screen) levelBefore(c *cart) {
	j := &c.job.message
	needed := len(j.Flow.Next) > 0 && j.Flow.Next[0].Item == string(fillcalc.LevelBefore)
	var levels []answer
	for _, result := range []string{"low", "right", "high"} {
		levels = append(levels, answer{Label: s.word("bay.level_" + result), Commands: command("record", set{"item", fillcalc.LevelBefore}, set{"result", result})})
	}
	if needed {
		s.Answers = append(s.Answers, levels...)
	}
	s.answer("bay.start_draining", s.word("bay.only_caddy"), turn("draining")).Main = !needed
	if !needed && recorded(j, fillcalc.LevelBefore) == nil {
		s.opens("bay.level_before", "", dialog{ID: "level-before", Texts: []string{s.word("bay.level_before_why")}, Answers: levels})
	}
}

func (s *screen) draining(c *cart) {
	m := &c.volumes.message
	s.Fig.Label = s.word("bay.came_out")
	s.volume(float64(m.DrainedL), float64(m.DrainedUL))
	s.usual(c)
	s.small("bay.room", s.litres(float64(m.CaddyFreeL)))
	if flow := float64(m.DrainedLMin); flow > 0.05 {
		s.small("bay.runs", s.R.Units.FlowUnit().Text(flow))
	}
	s.Pic = s.caddy(c)
	s.main("bay.to_service", s.word("bay.only_caddy"), turn("service"))
	s.spilled()
	s.answer("bay.to_filling", s.word("bay.only_containers"), turn("filling"))
}

// usual adds what comes out of such a gearbox as a rule.
func (s *screen) usual(c *cart) {
	if d := c.job.message.ServiceData; d != nil {
		s.small("bay.usual", s.litres(float64(d.TypicalL)))
	}
}

// spilled asks how much missed the caddy, or was spilled.
func (s *screen) spilled() {
	s.opens("bay.spilled", s.word("bay.how_much"), dialog{ID: "spilled", Texts: []string{s.word("bay.spilled_why")},
		Entries: []entry{{ID: "spilled-l", Name: "l", Label: s.word("bay.about"), Unit: s.R.Units.VolumeUnit(0).Symbol, Figure: true, Needed: true}},
		Answers: []answer{{Label: s.word("bay.save"), Main: true, Commands: command("enter", set{"what", fillcalc.EnterSpilled}), With: "l"}}})
}

func (s *screen) service(c *cart) {
	m, j := &c.volumes.message, &c.job.message
	s.Pic = picture{Kind: "list", Items: s.items(c, "service")}
	open, torque := []string{}, false
	for _, item := range s.Pic.Items {
		switch {
		case item.Mark != "open":
		case item.Item == string(fillcalc.Torque):
			torque = true
		default:
			open = append(open, item.Item)
		}
	}
	s.Fig.Label = s.word("bay.came_out")
	s.volume(float64(m.DrainedL), float64(m.DrainedUL))
	s.usual(c)
	done := len(s.Pic.Items) - len(open)
	if torque {
		done--
	}
	s.small("bay.done", s.text("bay.done_of", map[string]float64{"done": float64(done), "all": float64(len(s.Pic.Items))}, nil))
	if len(open) > 1 {
		s.main("bay.all_done", s.word("bay.all_done_what"), command("record", set{"items", strings.Join(open, " ")}, set{"result", "done"}))
	}
	if torque {
		s.torque(j, len(open) == 0)
	}
	if len(open) <= 1 && !torque {
		s.main("bay.pan_closed", s.word("bay.only_containers"), turn("filling"))
	} else {
		s.answer("bay.pan_closed", s.word("bay.only_containers"), turn("filling"))
	}
}

// torque asks what the wrench was set to. Nothing is filled in beforehand: what nobody has
// typed is no evidence.
func (s *screen) torque(j *wire.Job, now bool) {
	unit := s.R.Units.TorqueUnit(0).Symbol
	d := dialog{ID: "torque", Entries: []entry{{ID: "torque-applied", Name: "applied", Label: s.word("bay.wrench_set"), Unit: unit, Figure: true, Needed: true}}}
	var specified any
	if j.ServiceData != nil && !math.IsNaN(float64(j.ServiceData.BoltTorqueNM)) {
		nm := float64(j.ServiceData.BoltTorqueNM)
		d.Texts = []string{s.text("bay.torque_asked", map[string]float64{"torque_nm": nm}, nil)}
		specified = math.Round(100*nm) / 100
		if now {
			u := s.R.Units.TorqueUnit(nm)
			s.Fig = figure{Label: s.word("bay.torque_label"), Digits: u.Digits(nm), Unit: u.Symbol}
		}
	}
	fields := []set{{"item", fillcalc.Torque}, {"result", "done"}, {"specified", specified}}
	d.Answers = []answer{{Label: s.word("bay.save"), Main: true, Commands: command("record", fields...), With: "applied"},
		{Label: s.R.Word("result.not_done"), Commands: command("record", set{"item", fillcalc.Torque}, set{"result", "not_done"})}}
	s.opens("bay.enter_torque", "", d)
	s.Answers[len(s.Answers)-1].Main = now
}

func (s *screen) filling(c *cart) {
	j := &c.job.message
	s.pour(c)
	s.Pic = s.fill(c)
	engine := slices.ContainsFunc(j.Flow.Next, func(a wire.JobAsk) bool { return a.Phase == string(fillcalc.Running) })
	switch {
	case weighsFirst(j):
		s.main("bay.weigh", s.word("bay.only_containers"), command("clear"))
	case engine, j.Plan != nil && j.Plan.ToLineL <= 0:
		s.main("bay.engine_runs", s.word("bay.first_fill_in"), turn("running"))
	case j.Plan != nil:
		s.Later = s.text("bay.engine_later", map[string]float64{"missing_l": float64(j.Plan.ToLineL)}, nil)
	}
	s.spilled()
	if !c.about.at.IsZero() && !c.weighsSupply() {
		s.bottle(j)
	}
	s.answer("bay.back_service", "", turn("service"))
}

// weighsFirst reports whether a clear weighing is asked for before more is poured.
func weighsFirst(j *wire.Job) bool {
	return slices.ContainsFunc(j.Flow.Next, func(a wire.JobAsk) bool { return a.Do == string(fillcalc.DoClear) })
}

// pour shows how much is still to pour up to the line, or how much too much is in.
func (s *screen) pour(c *cart) {
	m, plan := &c.volumes.message, c.job.message.Plan
	s.Fig = figure{Label: s.word("bay.still_to_pour"), Digits: unknown}
	s.small("bay.in", s.litres(float64(m.AddedL)))
	if plan == nil || c.job.message.Job != m.Job {
		return
	}
	to := float64(plan.ToLineL)
	if to < -overL {
		s.Fig.Label = s.word("bay.too_much")
	}
	switch first := c.job.message.Flow.Next; {
	case len(first) > 0 && first[0].Say == "ask.pour_hand":
		s.Fig.Label = s.word("bay.pour_hand")
		s.volume(float64(first[0].Figures["pour_l"]), math.NaN())
	case !weighsFirst(&c.job.message): // what may be in already would be poured again
		s.volume(math.Abs(to), float64(plan.RemainingUL))
	}
	s.small("bay.line", s.litres(float64(plan.LineL)))
	if left := float64(plan.ToLineS); left > 0 {
		s.small("bay.there_in", minutes(left))
	}
}

// lost shows how much runs out below while it is poured in.
func (s *screen) lost(c *cart) {
	m, first := &c.volumes.message, &c.job.message.Flow.Next[0]
	s.Fig = figure{Label: s.word("bay.lost"), Digits: unknown}
	s.volume(float64(first.Figures["lost_l"]), math.NaN())
	s.small("bay.runs", s.R.Units.FlowUnit().Text(float64(first.Figures["flow_l_min"])))
	s.small("bay.in", s.litres(float64(m.AddedL)))
	s.small("bay.room", s.litres(float64(m.CaddyFreeL)))
	s.Pic = s.caddy(c)
	s.main("bay.back_service", s.word("bay.close_pan"), turn("service"))
	s.answer("bay.flush", s.word("bay.flush_means"), command("enter", set{"what", fillcalc.EnterFlush}))
	s.spilled()
}

// bottle counts a bottle that was poured in without weighing.
func (s *screen) bottle(j *wire.Job) {
	l := fillcalc.LitresPerUSQuart
	if j.ServiceData != nil && !math.IsNaN(float64(j.ServiceData.BottleL)) {
		l = float64(j.ServiceData.BottleL)
	} else if s.R.Units == "metric" {
		l = 1
	}
	s.answer("bay.one_bottle", s.litres(l), command("enter", set{"what", "bottle"}, set{"l", l}, set{"share", 1}))
}

// gearS is how long each gear is engaged (common practice, no source).
const gearS = 5

func (s *screen) running(c *cart, now time.Time) {
	j := &c.job.message
	s.warmth(c, now)
	if g := j.Flow.Gear; g != nil {
		if left := float64(g.LeftS) - now.Sub(c.job.at).Seconds(); left > 0 {
			if j.Flow.Next[0].Say != "ask.hold" {
				s.Why = s.Say
			}
			s.Say = s.R.Say(fillcalc.Text{Key: "ask.hold", Figures: map[string]float64{"left_s": left}, Names: map[string]string{"gear": g.Gear}})
		}
	}
	left, work := "", []string(nil)
	for _, g := range j.Flow.GearPlan {
		if !g.Done {
			left += " " + g.Gear
			work = append(work, command("gear", set{"gear", g.Gear}))
		}
	}
	leaks := recorded(j, fillcalc.Leaks) != nil
	if left != "" {
		a := s.answer("bay.start_gears", s.text("bay.gears_left", nil, map[string]string{"gears": left[1:]}), append(work, command("gear", set{"gear", ""}))...)
		a.Main, a.EveryS = true, gearS
	}
	noLeaks, then := []string{command("record", set{"item", fillcalc.Leaks}, set{"result", "done"})}, ""
	again := slices.ContainsFunc(j.Flow.Next, func(a wire.JobAsk) bool { return a.Say == "ask.next_pass" })
	if !again {
		noLeaks, then = append(noLeaks, turn("checking")), s.word("bay.then_check")
	}
	switch {
	case leaks && again:
	case leaks:
		s.answer("bay.check_level", "", turn("checking")).Main = left == ""
	default:
		s.answer("bay.no_leaks", then, noLeaks...).Main = left == ""
		s.opens("bay.a_leak", "", dialog{ID: "leak", Entries: []entry{{ID: "leak-note", Name: "note", Label: s.word("bay.where")}},
			Answers: []answer{{Label: s.word("bay.save"), Main: true, Commands: command("record", set{"item", fillcalc.Leaks}, set{"result", "not_done"}), With: "note"}}})
	}
	if left != "" || !leaks {
		s.answer("bay.back_filling", s.word("bay.engine_off"), turn("filling"))
	}
}

func (s *screen) checking(c *cart, now time.Time) {
	j := &c.job.message
	s.warmth(c, now)
	if j.Plan != nil && math.Abs(float64(j.Plan.ToLineL)) > topUpL && s.Tone != fillcalc.ToneCheck && s.Tone != fillcalc.ToneClosing && s.Tone != fillcalc.ToneUnmeasured {
		s.pour(c)
		s.small("bay.fluid", s.celsius(float64(c.window.message.TempC)))
		s.Pic = s.fill(c)
	}
	judged := recorded(j, fillcalc.LevelAfter)
	if judged != nil && judged.Result == "right" {
		s.Pic = picture{Kind: "card", Verdict: s.verdict(j), Rows: s.card(c)}
		s.answer("bay.weigh_close", s.word("bay.only_containers"), command("clear"), command("close")).Main = s.Tone == fillcalc.ToneDo
	} else {
		if weighsFirst(j) {
			s.main("bay.weigh", s.word("bay.only_containers"), command("clear"))
		}
		s.level(c)
	}
	if len(s.Answers) < 5 {
		s.spilled()
	}
}

// level offers the possible results of the level's check. While the window is not open, they
// stand behind one more press: the level was judged earlier, or the temperature was taken by
// hand.
func (s *screen) level(c *cart) {
	j, w := &c.job.message, c.window.message.State
	var results []answer
	for _, result := range []string{"low", "right", "high"} {
		results = append(results, answer{Label: s.word("bay.level_" + result), Commands: command("record", set{"item", fillcalc.LevelAfter}, set{"result", result}), Main: result == "right"})
	}
	if w == string(fillcalc.Open) || w == string(fillcalc.Closing) {
		s.Answers = append(s.Answers, results...)
	} else {
		when := entry{ID: "level-at", Name: "at", Label: s.word("bay.level_when"), Choices: []choice{{"", s.word("bay.level_now")}}}
		if next := j.Flow.Next; len(next) > 0 && next[0].Say == "ask.level_late" { // most likely just before the window closed
			when.Value = next[0].Names["at"]
			when.Choices = append(when.Choices, choice{when.Value, s.R.Name("at", when.Value)})
		}
		if now, err := time.Parse(time.RFC3339, j.TS); err == nil {
			for _, minutes := range []int{1, 2, 3, 5, 10, 15, 20} {
				ago := time.Duration(minutes) * time.Minute
				when.Choices = append(when.Choices, choice{now.Add(-ago).Format(time.RFC3339), s.text("bay.ago", map[string]float64{"age_s": ago.Seconds()}, nil)})
			}
		}
		for i := range results {
			results[i].With = "at"
		}
		s.opens("bay.level_other", s.word("bay.level_other_means"), dialog{ID: "level-other", Texts: []string{s.word("bay.level_other_why")}, Entries: []entry{when}, Answers: results})
	}
	if d := j.ServiceData; d != nil && d.Check != nil && *d.Check == string(fillcalc.ByOverflow) {
		s.opening()
		return
	}
	marks := dialog{ID: "dipstick", Texts: []string{s.word("bay.dipstick_how")}}
	for _, mark := range []struct {
		label, small string
		share        float64
	}{{s.word("bay.dipstick_below"), "", -0.25}, {"0", s.word("bay.dipstick_lower"), 0}, {"¼", "", 0.25}, {"½", "", 0.5}, {"¾", "", 0.75}, {"1", s.word("bay.dipstick_upper"), 1}, {s.word("bay.dipstick_above"), "", 1.25}} {
		marks.Answers = append(marks.Answers, answer{Label: mark.label, Small: mark.small, Commands: command("enter", set{"what", "dipstick"}, set{"share", mark.share})})
	}
	s.opens("bay.dipstick", "", marks)
}

// opening asks what comes out of the check opening.
func (s *screen) opening() {
	d := dialog{ID: "opening"}
	for _, seen := range []fillcalc.Opening{fillcalc.OpeningRuns, fillcalc.OpeningDrips, fillcalc.OpeningDry} {
		d.Answers = append(d.Answers, answer{Label: s.R.Word("opening." + string(seen)), Commands: command("enter", set{"what", fillcalc.EnterOpening}, set{"opening", seen})})
	}
	s.opens("bay.opening", "", d)
}

func (s *screen) closed(c *cart) {
	m, j := &c.volumes.message, &c.job.message
	s.Tone = fillcalc.ToneDone
	s.Say = s.text("bay.closed", nil, map[string]string{"vehicle": j.Vehicle})
	s.Fig.Label = s.word("bay.in")
	s.volume(float64(m.AddedL), float64(m.AddedUL))
	s.small("bay.out", s.litres(float64(m.DrainedL)))
	s.small("bay.balance", s.litres(float64(m.BalanceL)))
	s.Pic = picture{Kind: "card", Verdict: s.verdict(j), Rows: s.card(c)}
	s.paper(c)
	s.nextJob(c)
	s.Answers = append(s.Answers, answer{Label: s.word("bay.print"), Print: true})
}

// verdict says what the job got, or would get if it were closed now.
func (s *screen) verdict(j *wire.Job) (v verdict) {
	if j.Verdict == nil {
		return v
	}
	v.Outcome = fillcalc.Outcome(j.Verdict.Result)
	v.Text = s.R.Word("outcome." + j.Verdict.Result)
	if j.Phase == "checking" {
		v.Text = s.text("bay.would_be", nil, map[string]string{"outcome": j.Verdict.Result})
	}
	if missing := j.Verdict.Missing; len(missing) > 0 {
		var items []string
		for _, item := range missing {
			items = append(items, s.R.Word("item."+item))
		}
		v.Why = append(v.Why, s.text("bay.not_on_record", nil, map[string]string{"items": strings.Join(items, ", ")}))
	}
	for _, reason := range j.Verdict.Reasons {
		v.Why = append(v.Why, reason.For(s.R))
	}
	if n := len(v.Why); n > 0 {
		v.Reasons = s.text("bay.reasons", map[string]float64{"count": float64(n)}, nil)
	}
	return v
}

// card is the result at a glance.
func (s *screen) card(c *cart) (rows []labelled) {
	m, j := &c.volumes.message, &c.job.message
	add := func(key, text string) {
		if text != "" && text != unknown {
			rows = append(rows, labelled{s.word(key), text})
		}
	}
	add("bay.vehicle", j.Vehicle)
	add("bay.fluid_name", strings.TrimSuffix(j.Fluid+", "+j.Batch, ", "))
	add("bay.out", s.litres(float64(m.DrainedL)))
	add("bay.in", s.litres(float64(m.AddedL)))
	if r := recorded(j, fillcalc.LevelAfter); r != nil {
		text := s.R.Word("result." + r.Result)
		if r.TempC != nil {
			text += ", " + s.celsius(*r.TempC)
		}
		if j.Window != nil {
			text += " (" + s.between(float64(j.Window.LowC), float64(j.Window.HighC)) + ")"
		}
		add("bay.level", text)
	}
	if r := recorded(j, fillcalc.Torque); r != nil && r.AppliedNM > 0 {
		add("bay.torque_label", s.R.Units.Torque(r.AppliedNM))
	}
	if n := len(j.Passes); n > 0 {
		add("bay.old_left", s.text("bay.old_left_pct", map[string]float64{"old_left_pct": math.Round(float64(j.Passes[n-1].OldLeftPct))}, nil))
	}
	var parts []string
	for _, r := range j.Flow.Records {
		if r.Part != "" && !r.Corrected {
			parts = append(parts, r.Part)
		}
	}
	add("ticket.parts", strings.Join(parts, ", "))
	add("bay.who", s.Who)
	add("bay.job", m.Job)
	return rows
}

// recorded returns the newest record of an item; nil if there is none.
func recorded(j *wire.Job, item fillcalc.Item) *wire.JobRecord {
	for i, r := range slices.Backward(j.Flow.Records) {
		if r.Item == string(item) {
			return &j.Flow.Records[i]
		}
	}
	return nil
}

// topUpL is the least amount that is worth pouring.
const topUpL = 0.05

// turn is the command that begins a phase.
func turn(phase string) string { return command("phase", set{"phase", phase}) }
