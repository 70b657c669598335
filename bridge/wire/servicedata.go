package wire

import (
	"math"

	"bayfill/fillcalc"
)

// JobServiceData is what the job goes by, from the service data or from the command
// that opened it, in the leaf job; what neither of them said is null.
type JobServiceData struct {
	Name          *string `json:"name"`   // of the shop's file; null when all came with the command
	Source        *string `json:"source"` // where the shop looked it up
	AskedFluid    *string `json:"asked_fluid"`
	TypicalL      Number  `json:"typical_l"`
	TotalL        Number  `json:"total_l"`
	FirstFill     Number  `json:"first_fill"` // part of the target
	BottleL       Number  `json:"bottle_l"`
	Check         *string `json:"check"` // dipstick, overflow
	LowC          Number  `json:"low_c"`
	HighC         Number  `json:"high_c"`
	BetweenMarksL Number  `json:"between_marks_l"`
	BoltTorqueNM  Number  `json:"bolt_torque_nm"` // as specified
}

func serviceDataMessage(spec *fillcalc.JobSpec) *JobServiceData {
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
		TypicalL: figure(spec.TypicalL), TotalL: figure(spec.TotalL), FirstFill: Number(spec.FirstFill), BottleL: figure(spec.BottleL),
		Check: text(string(spec.Check)), LowC: Number(spec.LowC), HighC: Number(spec.HighC),
		BetweenMarksL: figure(spec.BetweenMarksL), BoltTorqueNM: figure(spec.BoltTorqueNM),
	}
}
