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
	{Do: "open", Board: true, About: "Open a job.", begin: func(in *fillcalc.Input) {
		if in.Job == nil {
			in.Job = new(fillcalc.JobSpec)
		}
	}, Fields: []Field{
		text("service_data", "Name of one of the shop's service data. It supplies every value that the command does not give.", nil),
		text("fluid", "The fluid that goes in: a configured one, or one measured on this cart.", nil).unless("service_data"),
		amount("low_c", "Lower end of the check window.", units.OfTemperature, from(-40, 150), func(in *fillcalc.Input, v value) { in.Job.LowC = v.Number }).unless("service_data"),
		amount("high_c", "Upper end of the check window.", units.OfTemperature, from(-40, 150), func(in *fillcalc.Input, v value) { in.Job.HighC = v.Number }).unless("service_data"),
		{Name: "job", Kind: KindID, About: "Name of the job; by default the time.", set: func(in *fillcalc.Input, v value) { in.Job.ID = v.Text }},
		text("vehicle", "The vehicle, in the shop's words.", func(in *fillcalc.Input, v value) { in.Job.Vehicle = v.Text }),
		text("batch", "Batch of the fluid that goes in, as printed on its container.", func(in *fillcalc.Input, v value) { in.Job.Batch = v.Text }),
		text("used_fluid", "The fluid that comes out; by default the same as fluid, with a less certain density.", nil),
		number("first_fill", "Share of the target to pour before the first engine start; 0.8 by default.", above(0, 1), func(in *fillcalc.Input, v value) { in.Job.FirstFill = v.Number }),
		choice("check", "How the level is judged: between the marks of a dipstick, or at an opening where the excess runs out.",
			[]string{string(fillcalc.ByDipstick), string(fillcalc.ByOverflow)}, func(in *fillcalc.Input, v value) { in.Job.Check = fillcalc.CheckMethod(v.Text) }),
		amount("typical_l", "Usual refill.", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.TypicalL = v.Number }),
		amount("total_l", "What the whole transmission holds.", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.TotalL = v.Number }),
		amount("bottle_l", "Size of the bottles.", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.BottleL = v.Number }),
		amount("empty_bottle_kg", "Weight of an empty bottle.", units.OfMass, from(0, 5), func(in *fillcalc.Input, v value) { in.Job.EmptyBottleKg = v.Number }),
		amount("between_marks_l", "Volume between the lower and the upper mark of the dipstick.", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.BetweenMarksL = v.Number }),
		amount("balance_band_l", "How much what goes in and what comes out may differ while both run.", units.OfVolume, from(0, 1000), func(in *fillcalc.Input, v value) { in.Job.BalanceBandL = v.Number }),
		text("gears", "Names of the gears to work, in their order, separated by spaces; R N D P by default.", func(in *fillcalc.Input, v value) { in.Job.Gears = v.Text }),
		whole("passes", "How many times the transmission is drained and filled; once by default.", from(1, fillcalc.MaxPasses), func(in *fillcalc.Input, v value) { in.Job.Passes = v.Whole }),
		text("asked_fluid", "The fluid that the service data asks for.", func(in *fillcalc.Input, v value) { in.Job.AskedFluid = v.Text }),
		text("other_fluid", "Why another fluid than that goes in.", func(in *fillcalc.Input, v value) { in.Job.OtherFluid, in.Job.OtherFluidBy = v.Text, in.By }),
		text("why", "Reason, when the answer asks whether the window is meant.", func(in *fillcalc.Input, v value) { in.Job.Why = v.Text }),
	}},
	{Do: "phase", Board: true, About: "Begin the next phase of the job. With service and filling, only the containers and their fluid may stand on the scales.", Words: []string{"phase"}, Fields: []Field{
		choice("phase", "The phase that begins.", textsOf(fillcalc.Draining, fillcalc.Service, fillcalc.Filling, fillcalc.Running, fillcalc.Checking),
			func(in *fillcalc.Input, v value) { in.Phase = fillcalc.Phase(v.Text) }).required(),
		text("why", "Reason, when the answer asks whether the phase is meant.", setWhy),
		choice("engine", "Going back from running or checking: whether the engine has run. By default it has if a gear was engaged, or after half a minute.",
			textsOf(fillcalc.EngineRan, fillcalc.EngineNotRun), func(in *fillcalc.Input, v value) { in.Engine = fillcalc.Engine(v.Text) }),
	}},
	{Do: "baseline", About: "Take what is on the scales now as zero.", Fields: []Field{
		text("why", "Reason, when the answer asks whether what was counted is to be forgotten.", setWhy),
	}},
	{Do: "answer", Board: true, About: "Say what a change of weight was. The answer can be changed until the job is closed.", Words: []string{"change", "as"}, Fields: []Field{
		whole("change", "Number of the change. The answer holds for its whole group.", from(1, maxWhole), func(in *fillcalc.Input, v value) { in.Change = v.Whole }).required(),
		choice("as", "fluid: it is counted; gone: it came and went again, or went and came back; thing: it still lies there, or had lain there before; container: a container was changed, emptied, refilled or brought; bottle: a bottle that was poured in and thrown away, counted without the weight of the empty one.",
			textsOf(fillcalc.AsFluid, fillcalc.AsGone, fillcalc.AsThing, fillcalc.AsContainer, fillcalc.AsBottle),
			func(in *fillcalc.Input, v value) { in.As = fillcalc.Label(v.Text) }).required().shared(),
		text("change_at", "The change's time as it was shown (at). If the change has another time by now, the answer is refused.", nil),
	}},
	{Do: "clear", Board: true, About: "Say that only the containers and their fluid stand on the scales: they are weighed (clear weighing), and what does not add up is asked. The phases service and filling say the same.", Words: []string{"sensor"}, Fields: []Field{
		text("sensor", "Name of the scale; by default all scales that count.", func(in *fillcalc.Input, v value) { in.Sensor = v.Text }),
	}},
	{Do: "enter", Board: true, About: "Enter what no sensor measures.", Words: []string{"what", "l"}, begin: func(in *fillcalc.Input) { in.Entry = new(fillcalc.Entry) }, Fields: []Field{
		choice("what", "spilled: fluid that missed the caddy; retained: fluid that stayed in the pan or the filter; level: fluid that was missing before the service; bottle: fluid that was poured in without weighing; dipstick: a reading of the dipstick; opening: what comes out of the check opening; flush: in this phase fluid runs out below on purpose while it is poured in.",
			textsOf(fillcalc.EnterSpilled, fillcalc.EnterRetained, fillcalc.EnterLevel, fillcalc.EnterBottle, fillcalc.EnterDipstick, fillcalc.EnterOpening, fillcalc.EnterFlush),
			func(in *fillcalc.Input, v value) { in.Entry.What = fillcalc.What(v.Text) }).required().shared(),
		amount("l", "How much: of a bottle its size, of the level what was missing. An amount below zero corrects an earlier entry.", units.OfVolume, from(-100, 100), func(in *fillcalc.Input, v value) { in.Entry.L = v.Number }),
		amount("u_l", "How far off the amount may be: in two of three cases it is not further (standard uncertainty).", units.OfVolume, from(0, 100), func(in *fillcalc.Input, v value) { in.Entry.UL = v.Number }),
		number("share", "Of a bottle: the share of it that went in, above 0 and at most 1. Of the dipstick: 0 is the lower mark, 1 the upper one.", from(-1, 2), func(in *fillcalc.Input, v value) { in.Entry.Share = v.Number }),
		choice("opening", "Of opening: runs, drips, or dry when nothing comes.", textsOf(fillcalc.OpeningRuns, fillcalc.OpeningDrips, fillcalc.OpeningDry),
			func(in *fillcalc.Input, v value) { in.Entry.Opening = fillcalc.Opening(v.Text) }),
		text("why", "Reason, when the answer asks whether the amount is meant, or whether it is to count twice.", setWhy),
	}},
	{Do: "record", Board: true, About: "Record a piece of work that was done or left out.", Words: []string{"item", "result"}, begin: func(in *fillcalc.Input) { in.Record = new(fillcalc.Record) }, Fields: []Field{
		choice("item", "level_before and level: the level before the service and at the end.", textsOf(fillcalc.LevelBefore, fillcalc.Filter, fillcalc.Seal, fillcalc.Magnet,
			fillcalc.Pan, fillcalc.Flange, fillcalc.Gasket, fillcalc.Torque, fillcalc.Leaks, fillcalc.LevelAfter),
			func(in *fillcalc.Input, v value) { in.Record.Item = fillcalc.Item(v.Text) }).unless("items").shared(),
		text("items", "Several items with the same result, separated by spaces: a list that was read.", func(in *fillcalc.Input, v value) {
			for _, item := range strings.Fields(v.Text) {
				in.Items = append(in.Items, fillcalc.Item(item))
			}
		}),
		choice("result", "right, low and high are for a level.", textsOf(fillcalc.Done, fillcalc.NotDone, fillcalc.NotNeeded, fillcalc.Right, fillcalc.Low, fillcalc.High),
			func(in *fillcalc.Input, v value) { in.Record.Result = fillcalc.Result(v.Text) }).required().shared(),
		whole("count", "Number of seals.", from(0, 100), func(in *fillcalc.Input, v value) { in.Record.Count = v.Whole }),
		amount("specified", "Torque that the service data asks for.", units.OfTorque, from(0, 1000), func(in *fillcalc.Input, v value) {
			in.Record.SpecifiedNM, in.Record.Written = v.Number, " of "+v.written(units.OfTorque)
		}),
		amount("applied", "Torque to which the wrench was set.", units.OfTorque, from(0, 1000), func(in *fillcalc.Input, v value) {
			in.Record.AppliedNM, in.Record.Written = v.Number, v.written(units.OfTorque)+in.Record.Written
		}),
		text("part", "Number of the part that was fitted, as on its label.", func(in *fillcalc.Input, v value) { in.Record.Part = v.Text }),
		text("note", "A note, in the technician's words.", func(in *fillcalc.Input, v value) { in.Record.Note = v.Text }),
		moment("at", "When the level was judged, if that was earlier: RFC 3339, by the times that the cart shows, at most half an hour ago and since the phase checking began.",
			func(in *fillcalc.Input, v value) { in.Record.AtNs = v.Moment.UnixNano() }),
		text("why", "Reason, when the answer asks whether the torque or the level is meant.", setWhy),
	}},
	{Do: "undo", Board: true, About: "Take back the newest record, entry or phase, within ten seconds. It stays on record that it was there."},
	{Do: "gear", Board: true, About: "Say which gear is engaged while the engine runs.", Words: []string{"gear"}, Fields: []Field{
		text("gear", "Name of the gear; without it, no gear is engaged any more; all: all gears of the list have been worked.", func(in *fillcalc.Input, v value) { in.Gear = v.Text }).orEmpty(),
	}},
	{Do: "weigh", About: "Begin to measure a density: take the weight of the full bottle on a scale.", Words: []string{"sensor"}, begin: beginWeighing, Fields: []Field{
		text("sensor", "Name of the scale.", func(in *fillcalc.Input, v value) { in.Weighing.Sensor = v.Text }).required(),
	}},
	{Do: "density", About: "Finish measuring a density: the bottle has been emptied since weigh.", Words: []string{"sensor", "fluid", "l"}, begin: beginWeighing, Fields: []Field{
		text("sensor", "Name of the scale.", func(in *fillcalc.Input, v value) { in.Weighing.Sensor = v.Text }).required(),
		text("fluid", "A new name for the fluid.", func(in *fillcalc.Input, v value) { in.Weighing.Fluid = v.Text }).required(),
		amount("l", "What was in the bottle, by its label.", units.OfVolume, above(0, 1000), func(in *fillcalc.Input, v value) { in.Weighing.Litres = v.Number }).required(),
		number("tolerance_pct", "How far the content may differ from the label, in percent.", from(0, 100), func(in *fillcalc.Input, v value) { in.Weighing.TolerancePct = v.Number }),
	}},
	{Do: "close", Board: true, About: "Close the job.", Fields: []Field{
		text("why", "Reason to close the job although a scale has failed, or something is missing.", setWhy),
	}},
	{Do: "abandon", About: "Give up the job.", Fields: []Field{
		text("why", "Reason to give up the job.", setWhy).required(),
	}},
	{Do: "republish", About: "Send everything that the cart publishes again."},
}

func setWhy(in *fillcalc.Input, v value) { in.Why = v.Text }

func beginWeighing(in *fillcalc.Input) { in.Weighing = new(fillcalc.Weighing) }
