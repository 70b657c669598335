package wire

import (
	"math"

	"bayfill/fillcalc"
)

// JobServiceData is the part of the leaf job that says what the job goes by: figures
// from the service data or from the command that opened it. A figure that neither of
// them gave is null.
type JobServiceData struct {
	Name          *string `json:"name"`   // of the shop's file; null when everything came with the command
	Source        *string `json:"source"` // where the shop found the figures
	AskedFluid    *string `json:"asked_fluid"`
	TypicalL      Number  `json:"typical_l"`
	TotalL        Number  `json:"total_l"`
	FirstFill     Number  `json:"first_fill"` // share of the target
	BottleL       Number  `json:"bottle_l"`
	EmptyBottleKg Number  `json:"empty_bottle_kg"`
	Check         *string `json:"check"` // dipstick, overflow
	LowC          Number  `json:"low_c"`
	HighC         Number  `json:"high_c"`
	BetweenMarksL Number  `json:"between_marks_l"`
	BoltTorqueNM  Number  `json:"bolt_torque_nm"` // as specified
	Passes        int     `json:"passes"`         // how many times it is drained and filled
}

// serviceDataOf returns the message for a job's specification, in which 0 and an
// empty text mean that nothing was given.
func serviceDataOf(spec *fillcalc.JobSpec) *JobServiceData {
	text := func(s string) *string {
		if s == "" {
			return nil
		}
		return &s
	}
	figure := func(f float64) Number {
		if f == 0 {
			return Number(math.NaN())
		}
		return Number(f)
	}
	return &JobServiceData{
		Name: text(spec.ServiceData), Source: text(spec.Source), AskedFluid: text(spec.AskedFluid),
		TypicalL: figure(spec.TypicalL), TotalL: figure(spec.TotalL), FirstFill: Number(spec.FirstFill),
		BottleL: figure(spec.BottleL), EmptyBottleKg: figure(spec.EmptyBottleKg), Check: text(string(spec.Check)), LowC: Number(spec.LowC), HighC: Number(spec.HighC),
		BetweenMarksL: figure(spec.BetweenMarksL), BoltTorqueNM: figure(spec.BoltTorqueNM), Passes: max(1, spec.Passes),
	}
}
