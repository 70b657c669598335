package wire

import "bayfill/fillcalc"

// JobStep is a sudden change of weight, which is shown and counts only once it is
// decided.
type JobStep struct {
	Step   int    `json:"step"`
	At     string `json:"at"`
	Sensor string `json:"sensor"`
	Kg     Number `json:"kg"`
	L      Number `json:"l"` // if it was fluid, at the reference temperature
	Cause  string `json:"cause"`
	Tally  string `json:"tally"`          // the tally it belongs to if it was fluid
	With   int    `json:"with,omitempty"` // the other step of an object that came and left
	As     string `json:"as,omitempty"`
	By     string `json:"by,omitempty"`
}

// A job may have hundreds of steps. The message has the newest decided and the newest
// undecided ones, each at most so many and at most so many bytes of JSON.
const (
	maxSteps     = 100
	maxStepBytes = 20 << 10
)

// stepsOf returns the newest of the job's steps that are wanted, the oldest first,
// and how many it leaves out.
func stepsOf(s *fillcalc.State, wanted func(fillcalc.Step) bool) (list []JobStep, leftOut int) {
	var steps []fillcalc.Step
	for _, step := range s.Job.Steps {
		if wanted(step) {
			steps = append(steps, step)
		}
	}
	return newest(steps, maxSteps, maxStepBytes, func(step fillcalc.Step) JobStep {
		return JobStep{Step: step.ID, At: Timestamp(step.AtNs), Sensor: step.Sensor, Kg: Number(step.Kg),
			L: Number(s.StepL(step)), Cause: string(step.Cause), Tally: step.Tally.String(),
			With: step.With, As: string(step.As), By: step.By}
	})
}
