package wire

import "bayfill/fillcalc"

// Commands describes each command once: its name, its fields with their types and
// units, and a sentence for people. The parser, the published schema, the flags of
// "bayfill job" and the board's presses follow from it, and the setters lead to the
// fold. A user needs the right "command" for any of them.
var Commands = []CommandType{
	{Do: "open", Board: true, About: "A job begins.", begin: func(in *fillcalc.Input) {
		if in.Job == nil {
			in.Job = new(fillcalc.JobSpec)
		}
	}, Fields: []Field{
		text("service_data", "Name of one of the shop's service data: what this command does not say is taken from there.", nil),
		text("fluid", "The fluid that goes in: configured, or measured on this cart.", nil).unless("service_data"),
		number("low_c", "°C, lower end of the check window.", from(-40, 150), func(in *fillcalc.Input, v Value) { in.Job.LowC = v.Number }).unless("service_data"),
		number("high_c", "°C, upper end of the check window.", from(-40, 150), func(in *fillcalc.Input, v Value) { in.Job.HighC = v.Number }).unless("service_data"),
		{Name: "job", Kind: KindID, About: "Its name; by default the time.", set: func(in *fillcalc.Input, v Value) { in.Job.ID = v.Text }},
		text("vehicle", "In the shop's words.", func(in *fillcalc.Input, v Value) { in.Job.Vehicle = v.Text }),
		text("used_fluid", "The fluid that comes out; by default the same as fluid, its density less certain.", nil),
		number("first_fill", "Share of the target to pour before the engine first starts; 0.8 by default.", above(0, 1), func(in *fillcalc.Input, v Value) { in.Job.FirstFill = v.Number }),
		choice("check", "How the level is judged: between two marks, or at an opening from which too much runs out.",
			[]string{string(fillcalc.ByDipstick), string(fillcalc.ByOverflow)}, func(in *fillcalc.Input, v Value) { in.Job.Check = fillcalc.CheckMethod(v.Text) }),
		number("typical_l", "What a refill usually takes, L.", from(0, 1000), func(in *fillcalc.Input, v Value) { in.Job.TypicalL = v.Number }),
		number("total_l", "All that the transmission holds, L.", from(0, 1000), func(in *fillcalc.Input, v Value) { in.Job.TotalL = v.Number }),
		number("bottle_l", "Size of the bottles, L.", from(0, 1000), func(in *fillcalc.Input, v Value) { in.Job.BottleL = v.Number }),
		number("between_marks_l", "From the lower to the upper mark of the dipstick, L.", from(0, 1000), func(in *fillcalc.Input, v Value) { in.Job.BetweenMarksL = v.Number }),
		number("balance_band_l", "How far added and drained may be apart while both run, L.", from(0, 1000), func(in *fillcalc.Input, v Value) { in.Job.BalanceBandL = v.Number }),
		text("asked_fluid", "The fluid that the service data name.", func(in *fillcalc.Input, v Value) { in.Job.AskedFluid = v.Text }),
		text("other_fluid", "Why another fluid than theirs goes in.", func(in *fillcalc.Input, v Value) { in.Job.OtherFluid, in.Job.OtherFluidBy = v.Text, in.By }),
	}},
	{Do: "phase", Board: true, About: "The job goes on.", Words: []string{"phase"}, Fields: []Field{
		choice("phase", "Where to.", words(fillcalc.Draining, fillcalc.Service, fillcalc.Filling, fillcalc.Running, fillcalc.Checking),
			func(in *fillcalc.Input, v Value) { in.Phase = fillcalc.Phase(v.Text) }).required(),
		text("why", "Why it begins although it seems too early.", setWhy),
	}},
	{Do: "baseline", About: "What stands on the scales now counts as zero."},
	{Do: "decide", Board: true, About: "Says what a sudden change was.", Words: []string{"step", "as"}, Fields: []Field{
		whole("step", "Its number.", from(1, maxWhole), func(in *fillcalc.Input, v Value) { in.Step = v.Whole }).required(),
		choice("as", "fluid: counted; object: a tool; pan: an object with fluid in it, of which what it leaves is counted; swap: a container changed or emptied; lean: somebody's weight, gone again; before: an object that lay there before the scale counted.",
			words(fillcalc.AsFluid, fillcalc.AsObject, fillcalc.AsPan, fillcalc.AsSwap, fillcalc.AsLean, fillcalc.AsBefore),
			func(in *fillcalc.Input, v Value) { in.As = fillcalc.Decision(v.Text) }).required().shared(),
		text("step_at", "The step's at as it was shown: another step is refused.", nil),
		whole("gone", "With fluid: the step with which an object had come that went at the same moment.", from(1, maxWhole), func(in *fillcalc.Input, v Value) { in.Gone = v.Whole }),
	}},
	{Do: "cleared", Board: true, About: "No tool and no pan lies on a scale any more: what their weights do not add up to had been taken for fluid, and is taken back.", Words: []string{"sensor"}, Fields: []Field{
		text("sensor", "The scale.", func(in *fillcalc.Input, v Value) { in.Sensor = v.Text }).required(),
		choice("unseen", "What hid a tool that came or went: it passed for fluid in draining or filling, or was moved with a container.",
			words(fillcalc.InDraining, fillcalc.InFilling, fillcalc.InSwap), func(in *fillcalc.Input, v Value) { in.Unseen = fillcalc.Unseen(v.Text) }),
		{Name: "before", Kind: KindFlag, About: "Not of tools in general, but whether what was laid there before the scale counted was one and is off.",
			set: func(in *fillcalc.Input, v Value) { in.Before = &v.Flag }},
	}},
	{Do: "enter", Board: true, About: "Tells what no sensor sees.", Words: []string{"what", "l"}, begin: func(in *fillcalc.Input) { in.Entry = new(fillcalc.Entry) }, Fields: []Field{
		choice("what", "spilled: missed the caddy; retained: left in the pan or the filter; level: missing before the service; bottle: poured in unweighed; dipstick: a reading.",
			words(fillcalc.EnterSpilled, fillcalc.EnterRetained, fillcalc.EnterLevel, fillcalc.EnterBottle, fillcalc.EnterDipstick),
			func(in *fillcalc.Input, v Value) { in.Entry.What = fillcalc.What(v.Text) }).required().shared(),
		number("l", "L; of a bottle its size, of the level what is missing. Below zero corrects an earlier entry.", from(-100, 100), func(in *fillcalc.Input, v Value) { in.Entry.L = v.Number }),
		number("u_l", "L, standard uncertainty (k = 1).", from(0, 100), func(in *fillcalc.Input, v Value) { in.Entry.UL = v.Number }),
		number("share", "Of a bottle: how much of it went in, above 0 and at most 1. Of the dipstick: 0 is the lower mark, 1 the upper one.", from(-1, 2), func(in *fillcalc.Input, v Value) { in.Entry.Share = v.Number }),
	}},
	{Do: "record", Board: true, About: "A piece of work is done, or was left out.", Words: []string{"item", "result"}, begin: func(in *fillcalc.Input) { in.Record = new(fillcalc.Record) }, Fields: []Field{
		choice("item", "level_before and level: the level before and at the end.", words(fillcalc.LevelBefore, fillcalc.Filter, fillcalc.Seal, fillcalc.Magnet,
			fillcalc.Pan, fillcalc.Flange, fillcalc.Gasket, fillcalc.Torque, fillcalc.Leaks, fillcalc.LevelAfter),
			func(in *fillcalc.Input, v Value) { in.Record.Item = fillcalc.Item(v.Text) }).required().shared(),
		choice("result", "right, low, high: of a level.", words(fillcalc.Done, fillcalc.NotDone, fillcalc.NotNeeded, fillcalc.Right, fillcalc.Low, fillcalc.High),
			func(in *fillcalc.Input, v Value) { in.Record.Result = fillcalc.Result(v.Text) }).required().shared(),
		whole("count", "Of seals.", from(0, 100), func(in *fillcalc.Input, v Value) { in.Record.Count = v.Whole }),
		{Name: "specified", Kind: KindTorque, About: "Torque with its unit, as in 165 in-lb, 11 ft-lb or 18.6 N m.",
			set: func(in *fillcalc.Input, v Value) { in.Record.SpecifiedNM, in.Record.Written = v.Number, " of "+v.Text }},
		{Name: "applied", Kind: KindTorque, About: "Torque with its unit.",
			set: func(in *fillcalc.Input, v Value) {
				in.Record.AppliedNM, in.Record.Written = v.Number, v.Text+in.Record.Written
			}},
		text("part", "Number of the part that was fitted, as on its label.", func(in *fillcalc.Input, v Value) { in.Record.Part = v.Text }),
		text("note", "In the technician's words.", func(in *fillcalc.Input, v Value) { in.Record.Note = v.Text }),
	}},
	{Do: "gear", Board: true, About: "A gear is worked.", Words: []string{"gear"}, Fields: []Field{
		text("gear", "Its name; left out: none is in hand any more.", func(in *fillcalc.Input, v Value) { in.Gear = v.Text }).orEmpty(),
	}},
	{Do: "weigh", About: "A scale's weight now is where a density is measured from.", Words: []string{"sensor"}, begin: beginWeighing, Fields: []Field{
		text("sensor", "The scale.", func(in *fillcalc.Input, v Value) { in.Weighing.Sensor = v.Text }).required(),
	}},
	{Do: "density", About: "The density of a fluid follows from a bottle emptied since weigh.", Words: []string{"sensor", "fluid", "l"}, begin: beginWeighing, Fields: []Field{
		text("sensor", "The scale.", func(in *fillcalc.Input, v Value) { in.Weighing.Sensor = v.Text }).required(),
		text("fluid", "A name for the fluid.", func(in *fillcalc.Input, v Value) { in.Weighing.Fluid = v.Text }).required(),
		number("l", "L, size of the bottle.", above(0, maxNumber), func(in *fillcalc.Input, v Value) { in.Weighing.Litres = v.Number }).required(),
		number("tolerance_pct", "Half-width of the label's tolerance in percent.", from(0, maxNumber), func(in *fillcalc.Input, v Value) { in.Weighing.TolerancePct = v.Number }),
	}},
	{Do: "close", Board: true, About: "The job is done.", Fields: []Field{
		text("why", "Why in spite of a scale that has failed.", setWhy),
	}},
	{Do: "abandon", About: "The job is given up.", Fields: []Field{
		text("why", "Why it is given up.", setWhy).required(),
	}},
	{Do: "republish", About: "Every leaf is sent again."},
}

func setWhy(in *fillcalc.Input, v Value) { in.Why = v.Text }

func beginWeighing(in *fillcalc.Input) { in.Weighing = new(fillcalc.Weighing) }
