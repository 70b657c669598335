package fillcalc

import (
	"fmt"
	"slices"
)

// A decision says what a step was, whose change is in no account until then.

func checkDecide(s *State, in *Input) error {
	j := &s.Job
	if in.Step < 1 || in.Step > len(j.Steps) {
		return fmt.Errorf("step: %d is not one of this job's %d steps", in.Step, len(j.Steps))
	}
	step := j.Steps[in.Step-1]
	if step.As != "" && !(step.As.object() && step.With == 0 && (in.As == AsLean || in.As == AsBefore)) {
		return fmt.Errorf("step: %d is decided already, as %s", in.Step, step.As)
	}
	if in.Gone != 0 {
		return s.checkGone(&step, in)
	}
	switch in.As {
	case AsFluid, AsObject, AsPan, AsSwap, AsLean:
		return nil
	case AsBefore:
		if step.Kg > 0 {
			return fmt.Errorf("as: step %d made scale %s heavier: an object from before can only make it lighter", in.Step, step.Sensor)
		}
		return nil
	}
	return fmt.Errorf("as: %q is not one of fluid, object, pan, swap, lean, before", in.As)
}

func applyDecide(s *State, in *Input) {
	s.Job.Steps = slices.Clone(s.Job.Steps)
	step := &s.Job.Steps[in.Step-1]
	step.As, step.By = in.As, in.By
	if step.Returns {
		if step.With = step.ID; in.As == AsFluid {
			s.Job.add(DrainedTally, step.Kg)
			s.Job.add(AddedTally, -step.Kg)
		}
		return
	}
	switch sc := s.scale(step.Sensor); in.As {
	case AsFluid:
		s.decideFluid(step, in.Gone)
	case AsLean:
		if sc != nil {
			s.decideLean(sc, step)
		}
	case AsObject, AsPan:
		if sc != nil {
			s.Job.rematch(sc)
		}
	case AsBefore:
		if sc != nil {
			s.Job.wasBefore(sc, step)
		}
	}
}

// decideFluid adds a step to its account. gone is the step with which an object had
// come that left at the same moment; 0: none.
func (s *State) decideFluid(step *Step, gone int) {
	fluidKg := step.Kg
	if gone > 0 {
		object := &s.Job.Steps[gone-1]
		fluidKg += object.Kg
		object.With, step.With = step.ID, object.ID
		step.Tally = s.Job.tallyOf(s.scale(step.Sensor).Setup.Load, fluidKg)
	}
	s.Job.add(step.Tally, fluidKg)
	if step.Tally == DrainedTally {
		s.Tail.shift(fluidKg)
	}
}

// decideLean takes back what a push seemed to add. Its other end may have been held
// too; if not, it was counted as drained fluid. Nothing is known yet about a push that
// has not ended.
func (s *State) decideLean(sc *Scale, step *Step) {
	if s.Job.match(sc, step.ID); step.With != 0 {
		return
	}
	switch {
	case step.Kg < 0 && !s.Job.endsLean(sc, step):
		// Its beginning was counted as drained, or slowed the pour.
		s.Job.add(s.Job.streamAt(sc, step.FromNs-leanNs/2), step.Kg)
	case step.Kg > 0 && s.Job.hasEnded(sc, step):
	case step.Kg > 0 && s.Job.streamOf(sc.Setup.Load) == AddedTally:
		// Its end will look like a pour, unless it is held.
		s.Job.add(AddedTally, step.Kg)
		step.With = step.ID
	}
}

// checkGone returns an error if the object of step in.Gone cannot have left within
// a step that is fluid otherwise.
func (s *State) checkGone(step *Step, in *Input) error {
	if in.As != AsFluid {
		return fmt.Errorf("gone: it is for a step decided as fluid only, not %s", in.As)
	}
	if in.Gone < 1 || in.Gone >= in.Step {
		return fmt.Errorf("gone: %d is not one of the steps before step %d", in.Gone, in.Step)
	}
	object := s.Job.Steps[in.Gone-1]
	sc := s.scale(step.Sensor)
	if sc == nil || object.Sensor != step.Sensor || !object.As.object() || object.With != 0 || object.Kg < 0 {
		return fmt.Errorf("gone: step %d brought no object that still lies on scale %s", object.ID, step.Sensor)
	}
	if fluidKg := step.Kg + object.Kg; fluidKg < 0 && sc.Setup.Load == CaddyLoad || fluidKg > 0 && sc.Setup.Load == SupplyLoad {
		return fmt.Errorf("gone: without the object of step %d this would be %+.3f kg of fluid, which scale %s cannot see", object.ID, fluidKg, step.Sensor)
	}
	return nil
}

// checkDecided returns an error if a step is undecided, which the input named what
// would lose.
func (s *State) checkDecided(what string) error {
	for _, step := range s.Job.Steps[s.Job.StepsBefore:] {
		if step.As == "" {
			return fmt.Errorf("do: %s would lose step %d (%+.3f kg on %s): decide first whether it was fluid, object or swap",
				what, step.ID, step.Kg, step.Sensor)
		}
	}
	return nil
}
