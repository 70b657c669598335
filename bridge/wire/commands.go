package wire

import (
	"strings"

	"bayfill/bridge/units"
	"bayfill/fillcalc"
)

// Commands describes each command once: its name, its fields with their types and
// units, a sentence for people, and setters that write the fields into an input of the
// fold. The parser, the published schema, the flags of "bayfill job" and the board's
// buttons follow from it. A user needs the right "command" to send any of them.
var Commands = []CommandType{
	{Do: "open", Board: true, About: "explain.open", begin: func(in *fillcalc.Input) {
		if in.Job == nil {
			in.Job = new(fillcalc.JobSpec)
		}
	}, Fields: []Field{
		text("service_data", "explain.open_service_data", nil),
		text("fluid", "explain.open_fluid", nil).unless("service_data"),
		amount("low_c", "explain.open_low_c", units.OfTemperature, from(-40, 150), func(in *fillcalc.Input, v value) { in.Job.LowC = v.Number }).unless("service_data"),
		amount("high_c", "explain.open_high_c", units.OfTemperature, from(-40, 150), func(in *fillcalc.Input, v value) { in.Job.HighC = v.Number }).unless("service_data"),
		{Name: "job", Kind: KindID, About: "explain.open_job", set: func(in *fillcalc.Input, v value) { in.Job.ID = v.Text }},
		text("vehicle", "explain.open_vehicle", func(in *fillcalc.Input, v value) { in.Job.Vehicle = v.Text }),
		text("batch", "explain.open_batch", func(in *fillcalc.Input, v value) { in.Job.Batch = v.Text }),
		text("used_fluid", "explain.open_used_fluid", nil),
		number("first_fill", "explain.open_first_fill", above(0, 1), func(in *fillcalc.Input, v value) { in.Job.FirstFill = v.Number }),
		choice("check", "explain.open_check",
			[]string{string(fillcalc.ByDipstick), string(fillcalc.ByOverflow)}, func(in *fillcalc.Input, v value) { in.Job.Check = fillcalc.CheckMethod(v.Text) }),
		amount("typical_l", "explain.open_typical_l", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.TypicalL = v.Number }),
		amount("total_l", "explain.open_total_l", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.TotalL = v.Number }),
		amount("bottle_l", "explain.open_bottle_l", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.BottleL = v.Number }),
		amount("empty_bottle_kg", "explain.open_empty_bottle_kg", units.OfMass, from(0, 5), func(in *fillcalc.Input, v value) { in.Job.EmptyBottleKg = v.Number }),
		amount("between_marks_l", "explain.open_between_marks_l", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.BetweenMarksL = v.Number }),
		amount("balance_band_l", "explain.open_balance_band_l", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.BalanceBandL = v.Number }),
		text("gears", "explain.open_gears", func(in *fillcalc.Input, v value) { in.Job.Gears = v.Text }),
		whole("passes", "explain.open_passes", from(1, fillcalc.MaxPasses), func(in *fillcalc.Input, v value) { in.Job.Passes = v.Whole }),
		text("asked_fluid", "explain.open_asked_fluid", func(in *fillcalc.Input, v value) { in.Job.AskedFluid = v.Text }),
		text("other_fluid", "explain.open_other_fluid", func(in *fillcalc.Input, v value) { in.Job.OtherFluid, in.Job.OtherFluidBy = v.Text, in.By }),
		text("why", "explain.open_why", func(in *fillcalc.Input, v value) { in.Job.Why = v.Text }),
	}},
	{Do: "phase", Board: true, About: "explain.phase", Words: []string{"phase"}, Fields: []Field{
		choice("phase", "explain.phase_phase", textsOf(fillcalc.Draining, fillcalc.Service, fillcalc.Filling, fillcalc.Running, fillcalc.Checking),
			func(in *fillcalc.Input, v value) { in.Phase = fillcalc.Phase(v.Text) }).required(),
		text("why", "explain.phase_why", setWhy),
		choice("engine", "explain.phase_engine",
			textsOf(fillcalc.EngineRan, fillcalc.EngineNotRun), func(in *fillcalc.Input, v value) { in.Engine = fillcalc.Engine(v.Text) }),
	}},
	{Do: "baseline", About: "explain.baseline", Fields: []Field{
		text("why", "explain.baseline_why", setWhy),
	}},
	{Do: "answer", Board: true, About: "explain.answer", Words: []string{"change", "as"}, Fields: []Field{
		whole("change", "explain.answer_change", from(1, maxWhole), func(in *fillcalc.Input, v value) { in.Change = v.Whole }).required(),
		choice("as", "explain.answer_as",
			textsOf(fillcalc.AsFluid, fillcalc.AsGone, fillcalc.AsThing, fillcalc.AsContainer, fillcalc.AsBottle),
			func(in *fillcalc.Input, v value) { in.As = fillcalc.Label(v.Text) }).required().shared(),
		text("change_at", "explain.answer_change_at", nil),
	}},
	{Do: "clear", Board: true, About: "explain.clear", Words: []string{"sensor"}, Fields: []Field{
		text("sensor", "explain.clear_sensor", func(in *fillcalc.Input, v value) { in.Sensor = v.Text }),
	}},
	{Do: "enter", Board: true, About: "explain.enter", Words: []string{"what", "l"}, begin: func(in *fillcalc.Input) { in.Entry = new(fillcalc.Entry) }, Fields: []Field{
		choice("what", "explain.enter_what",
			textsOf(fillcalc.EnterSpilled, fillcalc.EnterRetained, fillcalc.EnterLevel, fillcalc.EnterBottle, fillcalc.EnterDipstick, fillcalc.EnterOpening, fillcalc.EnterFlush),
			func(in *fillcalc.Input, v value) { in.Entry.What = fillcalc.What(v.Text) }).required().shared(),
		amount("l", "explain.enter_l", units.OfVolume, from(-100, 100), func(in *fillcalc.Input, v value) { in.Entry.L = v.Number }),
		amount("u_l", "explain.enter_u_l", units.OfVolume, from(0, 100), func(in *fillcalc.Input, v value) { in.Entry.UL = v.Number }),
		number("share", "explain.enter_share", from(-1, 2), func(in *fillcalc.Input, v value) { in.Entry.Share = v.Number }),
		choice("opening", "explain.enter_opening", textsOf(fillcalc.OpeningRuns, fillcalc.OpeningDrips, fillcalc.OpeningDry),
			func(in *fillcalc.Input, v value) { in.Entry.Opening = fillcalc.Opening(v.Text) }),
		text("why", "explain.enter_why", setWhy),
	}},
	{Do: "record", Board: true, About: "explain.record", Words: []string{"item", "result"}, begin: func(in *fillcalc.Input) { in.Record = new(fillcalc.Record) }, Fields: []Field{
		choice("item", "explain.record_item", textsOf(fillcalc.LevelBefore, fillcalc.Filter, fillcalc.Seal, fillcalc.Magnet,
			fillcalc.Pan, fillcalc.Flange, fillcalc.Gasket, fillcalc.Torque, fillcalc.Leaks, fillcalc.LevelAfter),
			func(in *fillcalc.Input, v value) { in.Record.Item = fillcalc.Item(v.Text) }).unless("items").shared(),
		text("items", "explain.record_items", func(in *fillcalc.Input, v value) {
			for _, item := range strings.Fields(v.Text) {
				in.Items = append(in.Items, fillcalc.Item(item))
			}
		}),
		choice("result", "explain.record_result", textsOf(fillcalc.Done, fillcalc.NotDone, fillcalc.NotNeeded, fillcalc.Right, fillcalc.Low, fillcalc.High),
			func(in *fillcalc.Input, v value) { in.Record.Result = fillcalc.Result(v.Text) }).required().shared(),
		whole("count", "explain.record_count", from(0, 100), func(in *fillcalc.Input, v value) { in.Record.Count = v.Whole }),
		amount("specified", "explain.record_specified", units.OfTorque, from(0, 1000), func(in *fillcalc.Input, v value) {
			in.Record.SpecifiedNM, in.Record.Written = v.Number, " of "+v.written(units.OfTorque)
		}),
		amount("applied", "explain.record_applied", units.OfTorque, from(0, 1000), func(in *fillcalc.Input, v value) {
			in.Record.AppliedNM, in.Record.Written = v.Number, v.written(units.OfTorque)+in.Record.Written
		}),
		text("part", "explain.record_part", func(in *fillcalc.Input, v value) { in.Record.Part = v.Text }),
		text("note", "explain.record_note", func(in *fillcalc.Input, v value) { in.Record.Note = v.Text }),
		moment("at", "explain.record_at",
			func(in *fillcalc.Input, v value) { in.Record.AtNs = v.Moment.UnixNano() }),
		text("why", "explain.record_why", setWhy),
	}},
	{Do: "undo", Board: true, About: "explain.undo"},
	{Do: "gear", Board: true, About: "explain.gear", Words: []string{"gear"}, Fields: []Field{
		text("gear", "explain.gear_gear", func(in *fillcalc.Input, v value) { in.Gear = v.Text }).orEmpty(),
	}},
	{Do: "weigh", About: "explain.weigh", Words: []string{"sensor"}, begin: beginWeighing, Fields: []Field{
		text("sensor", "explain.sensor", func(in *fillcalc.Input, v value) { in.Weighing.Sensor = v.Text }).required(),
	}},
	{Do: "density", About: "explain.density", Words: []string{"sensor", "fluid", "l"}, begin: beginWeighing, Fields: []Field{
		text("sensor", "explain.sensor", func(in *fillcalc.Input, v value) { in.Weighing.Sensor = v.Text }).required(),
		text("fluid", "explain.density_fluid", func(in *fillcalc.Input, v value) { in.Weighing.Fluid = v.Text }).required(),
		amount("l", "explain.density_l", units.OfVolume, above(0, 1000), func(in *fillcalc.Input, v value) { in.Weighing.Litres = v.Number }).required(),
		number("tolerance_pct", "explain.density_tolerance_pct", from(0, 100), func(in *fillcalc.Input, v value) { in.Weighing.TolerancePct = v.Number }),
	}},
	{Do: "close", Board: true, About: "explain.close", Fields: []Field{
		text("why", "explain.close_why", setWhy),
	}},
	{Do: "abandon", Board: true, About: "explain.abandon", Fields: []Field{
		text("why", "explain.abandon_why", setWhy).required(),
	}},
	{Do: "republish", About: "explain.republish"},
}

func setWhy(in *fillcalc.Input, v value) { in.Why = v.Text }

func beginWeighing(in *fillcalc.Input) { in.Weighing = new(fillcalc.Weighing) }
