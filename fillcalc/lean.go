package fillcalc

import (
	"math"
	"slices"
)

// Nobody leans on a cart for longer.
const leanNs = 60e9

// leaning are the pushes, by a person's word, whose ends step n may be: what their
// ends seemed to pour was taken back when it was said.
func (j *Job) leaning(n *Step) (pushes []*Step) {
	for i := n.ID - 2; n.Kg < 0 && i >= j.StepsBefore; i-- {
		if c := &j.Steps[i]; c.Sensor == n.Sensor && c.leans() && n.AtNs-c.AtNs < leanNs {
			pushes = append(pushes, c)
		}
	}
	return pushes
}

// leans reports whether a step is a push whose end nobody has seen.
func (c *Step) leans() bool {
	return c.As == AsLean && c.By != BySignal && c.Kg > 0 && c.With == c.ID
}

// endsLean joins the end of a push, which was held, to its beginning, when that was
// held too; however they differ, it is the stream that ran meanwhile.
func (j *Job) endsLean(sc *Scale, n *Step) bool {
	var said, unsaid []*Step
	for i := n.ID - 2; n.Kg < 0 && i >= j.StepsBefore; i-- {
		c := &j.Steps[i]
		switch {
		case c.Sensor != n.Sensor || c.Kg < 0 || c.Returns || n.AtNs-c.AtNs > leanNs:
		case c.As == AsLean && c.With == 0 || c.leans():
			said = append(said, c) // it may have come in parts
		case c.As == "":
			unsaid = append(unsaid, c)
		}
	}
	switch {
	case said != nil:
		j.pair(sc, n, said...)
	case unsaid != nil:
		j.pair(sc, n, unsaid[0])
	default:
		return false
	}
	return true
}

// hasEnded adds a part of a push, of which a person speaks late, to the others:
// their end was held, and weighed against those that were known then.
func (j *Job) hasEnded(sc *Scale, c *Step) bool {
	for i := c.ID; i < len(j.Steps); i++ {
		n := &j.Steps[i]
		if n.Sensor == c.Sensor && n.As == AsLean && n.Kg < 0 && n.AtNs-c.AtNs < leanNs {
			c.With = n.ID
			j.add(j.streamAt(sc, n.FromNs-leanNs/2), c.Kg)
			return true
		}
	}
	return false
}

// leant reports whether a step back proves that a rise was a push: where fluid makes
// a scale heavier it had been taken for fluid.
func (j *Job) leant(sc *Scale, n *Step) bool {
	return sc.Direction > 0 && j.undoes(sc, n)
}

// undoes reports whether a step back undoes a rise that was taken for fluid: the
// level is again where it rested shortly before, and nothing else happened
// since.
func (j *Job) undoes(sc *Scale, n *Step) bool {
	if n.Kg > 0 {
		return false // who leans makes a scale heavier first
	}
	for _, p := range sc.Plateaus {
		if p.AtNs == 0 || n.AtNs-p.AtNs > leanNs {
			continue
		}
		if math.Abs(sc.LevelKg-p.LevelKg) <= sc.bandKg() &&
			(len(j.Steps) == 1 || j.Steps[len(j.Steps)-2].AtNs < p.AtNs) {
			return true
		}
	}
	return false
}

// leanThrough finds a push on the one scale that came as slowly as what drains and
// went as slowly as what is poured, while the phase changed to filling: the level
// is again where it rested before. If nothing of it was held it may be fluid all the
// same, drained and poured, and is held now.
func (j *Job) leanThrough(sc *Scale, atNs int64) {
	if sc.Setup.Load != BothLoad || j.Phase != Filling || atNs-j.PhaseNs > leanNs || math.Abs(sc.flowKgS()) > sc.bandKg()/10 ||
		len(j.Phases) < 2 || j.Phases[len(j.Phases)-2].Phase.place() > Service.place() {
		return
	}
	for _, p := range sc.Plateaus {
		if p.AtNs == 0 || p.AtNs > j.PhaseNs || atNs-p.AtNs > leanNs || math.Abs(sc.LevelKg-p.LevelKg) > sc.bandKg() {
			continue
		}
		peakKg := sc.AnchorKg
		var n *Step // the part of its end that was held
		if last := len(j.Steps) - 1; last >= j.StepsBefore && j.Steps[last].AtNs > p.AtNs {
			n = &j.Steps[last]
			if n.Sensor != sc.Setup.Sensor || n.As != "" || n.Cause != Backward || n.Kg > 0 || last > 0 && j.Steps[last-1].AtNs > p.AtNs {
				return
			}
			peakKg = n.FromKg
		}
		riseKg := peakKg - p.LevelKg
		if riseKg < float64(4*sc.bandKg()) {
			continue
		}
		j.Steps = slices.Clone(j.Steps)
		if n != nil {
			n = &j.Steps[len(j.Steps)-1]
			n.As, n.By, n.With = AsLean, BySignal, n.ID
		} else {
			j.Steps = append(j.Steps, Step{ID: len(j.Steps) + 1, Sensor: sc.Setup.Sensor, FromNs: p.AtNs, FromKg: p.LevelKg, AtNs: atNs, Kg: riseKg,
				U2: 2 * sc.weighingU2(), Cause: Backward, Tally: DrainedTally, Returns: true})
		}
		j.add(DrainedTally, -riseKg)
		sc.AnchorKg = sc.LevelKg
		sc.PeakKg, sc.FarKg, sc.AheadNs = sc.SlowKg, sc.LevelKg, atNs
		return
	}
}

// leanOver decides a push that went away as slowly as it came, on a scale from
// which fluid is expected to go: its rise was held, its end was taken for fluid.
func (j *Job) leanOver(sc *Scale, atNs int64) {
	if len(j.Steps) == j.StepsBefore || sc.Direction > 0 || sc.Setup.Load == SupplyLoad {
		return // a supply that was refilled goes down again too
	}
	n := &j.Steps[len(j.Steps)-1]
	if n.Returns || n.As == AsFluid || n.As == AsSwap || n.With != 0 || n.Sensor != sc.Setup.Sensor || n.Cause != Backward || n.Kg < 0 || atNs-n.AtNs > leanNs ||
		math.Abs(sc.flowKgS()) > sc.bandKg()/10 || math.Abs(sc.LevelKg-n.FromKg) > float64(2*sc.bandKg())+float64(0.02*n.Kg) {
		return
	}
	j.Steps = slices.Clone(j.Steps)
	n = &j.Steps[len(j.Steps)-1]
	if n.As == "" {
		n.By = BySignal
	}
	n.As, n.With = AsLean, n.ID
	j.add(AddedTally, n.Kg)
}
