package fillcalc

import (
	"math"
	"slices"
)

// wasBefore settles an object that lay there while nobody counted, and of which a
// person says that it went. Where fluid leaves a supply, what is missing beyond its
// weight left at the same moment.
func (j *Job) wasBefore(sc *Scale, n *Step) {
	if i := sc.lies(-n.Kg); i >= 0 {
		rest := sc.Lying[i] + n.Kg
		poured := rest < 0 && sc.Direction < 0 && -rest < float64(sc.Setup.MaxFlowKgS*longestHoldS)
		if same := math.Abs(rest) <= sc.bandKg(); same || poured {
			sc.Lying[i] = 0
			if !same {
				j.add(j.tallyOf(sc.Setup.Load, -1), rest)
			}
			return
		}
	}
	// Did it come just when the scale began to count, and was held?
	n.As = AsObject
	if j.rematch(sc); n.With == 0 {
		n.As = AsBefore
	}
}

// partOf takes an object's weight off what others seemed to leave behind, when a
// person says that it was one: they were laid on together.
func (j *Job) partOf(sc *Scale, n *Step) bool {
	// What is too heavy to come unnoticed came with a pan, if with nothing else; of a
	// lighter one only that it was all that was left is believed.
	heavy := -n.Kg > float64(sc.Setup.MaxFlowKgS*longestHoldS)
	leftKg, u2 := 0.0, n.U2
	for i := j.StepsBefore; i < len(j.Steps); i++ {
		if e := &j.Steps[i]; e.Sensor == n.Sensor && e.LeftKg > 0 && (heavy || !j.wasPan(e)) {
			leftKg += e.LeftKg
			u2 += e.U2
		}
	}
	slackKg := sc.bandKg() + float64(2*math.Sqrt(u2))
	if leftKg == 0 || leftKg+n.Kg < -slackKg || !heavy && leftKg+n.Kg > slackKg {
		return false
	}
	goneKg := -n.Kg
	for i := len(j.Steps) - 1; i >= j.StepsBefore && goneKg > 0; i-- {
		if e := &j.Steps[i]; e.Sensor == n.Sensor && e.LeftKg > 0 && (heavy || !j.wasPan(e)) {
			part := min(e.LeftKg, goneKg)
			e.LeftKg -= part
			goneKg -= part
			n.With = e.ID
		}
	}
	j.add(j.tallyOf(sc.Setup.Load, 1), n.Kg)
	return true
}

// unpaired are the objects on a scale of which one end only is known so far: they
// lie there, or their other end was taken for fluid.
func (j *Job) unpaired(sensor string) (objects []*Step, sumKg float64) {
	for i := j.StepsBefore; i < len(j.Steps); i++ {
		if o := &j.Steps[i]; o.Sensor == sensor && o.With == 0 && o.As.object() {
			objects = append(objects, o)
			sumKg += o.Kg
		}
	}
	return objects, sumKg
}

// addsUpBadly tells whether an object has gone that was not seen to come.
func (j *Job) addsUpBadly(sc *Scale) bool {
	objects, _ := j.unpaired(sc.Setup.Sensor)
	return slices.ContainsFunc(objects, func(o *Step) bool { return o.Kg < 0 })
}

// clear settles the objects of a scale on which a person sees none any more. What
// came and did not go was left behind by a pan, if one was among them; else what
// their weights do not add up to was counted as fluid, and is taken back.
func (j *Job) clear(sc *Scale) {
	objects, sumKg := j.unpaired(sc.Setup.Sensor)
	stream := j.streamOf(sc.Setup.Load)
	u2, heaviestKg := 0.0, 0.0
	for _, o := range objects {
		u2 += o.U2
		if o.Kg < heaviestKg {
			// It had come before it went.
			stream, heaviestKg = j.streamAt(sc, o.AtNs), o.Kg
		}
	}
	for _, o := range objects {
		switch {
		case j.swapped(o) && math.Abs(sumKg-o.Kg)+float64(2*math.Sqrt(u2)) < math.Abs(sumKg):
			sumKg -= o.Kg // it came or went with the container
		case math.Abs(sumKg-o.Kg) <= sc.bandKg() && o.Kg < 0 && j.partOf(sc, o):
			sumKg -= o.Kg
		case o.As == AsPan && sumKg > 0 && sc.Setup.Load != SupplyLoad:
			stream = DrainedTally
		}
	}
	for _, o := range objects {
		o.With = objects[len(objects)-1].ID
	}
	j.add(stream, sumKg)
	sc.Lying = [len(sc.Lying)]float64{}
}

// swapped tells whether the other end of an object may be within a step in which a
// container was changed.
func (j *Job) swapped(o *Step) bool {
	return slices.ContainsFunc(j.Steps[j.StepsBefore:], func(c Step) bool {
		return c.Sensor == o.Sensor && c.As == AsSwap && (c.Kg > 0) == (o.Kg < 0) && (c.ID < o.ID) == (o.Kg < 0)
	})
}

// wasPan tells whether what a step left behind is fluid by a person's word.
func (j *Job) wasPan(gone *Step) bool { return gone.With > 0 && j.Steps[gone.With-1].As == AsPan }
