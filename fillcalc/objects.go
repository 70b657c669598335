package fillcalc

import (
	"math"
	"slices"
)

// wasBefore settles an object that lay there while nobody counted, and of which a
// person says that it went. Where fluid leaves a supply, what is missing beyond its
// weight left at the same moment.
func (j *Job) wasBefore(sc *Scale, n *Step) {
	if sc.take(-n.Kg) {
		return
	}
	if i := sc.lies(-n.Kg); i >= 0 {
		if rest := sc.Lying[i] + n.Kg; rest < 0 && sc.Direction < 0 && sc.unnoticed(-rest) {
			sc.Lying[i] = 0
			j.add(j.tallyOf(sc.Setup.Load, -1), rest)
			return
		}
	}
	// Did it come just when the scale began to count, and was held?
	n.As = AsObject
	if j.rematch(sc); n.With == 0 {
		n.As, sc.Vague = AsBefore, true
	}
}

// partOf takes an object's weight off what others seemed to leave behind, when a
// person says that it was one: they were laid on together.
func (j *Job) partOf(sc *Scale, n *Step) bool {
	// What is too heavy to come unnoticed came with a pan, if with nothing else; of a
	// lighter one only that it was all that was left is believed.
	heavy := !sc.unnoticed(-n.Kg)
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
	// What seems to have gone beyond that is the stream's beside which it went.
	j.add(j.tallyOf(sc.Setup.Load, 1), n.Kg+goneKg)
	j.add(j.streamAt(sc, n.AtNs), -goneKg)
	return true
}

// Unseen is what hid the coming or going of an object, as a person knows it.
type Unseen string

const (
	InDraining Unseen = "draining" // it passed for drained fluid
	InFilling  Unseen = "filling"  // it passed for fluid poured
	InSwap     Unseen = "swap"     // it came or went with a container: it passed for nothing
)

// account is where what passed for fluid was counted; NoTally for what did not.
func (u Unseen) account() Tally {
	return map[Unseen]Tally{InDraining: DrainedTally, InFilling: AddedTally}[u]
}

// mayHide lists what may have hidden the coming or going of objects on a scale; only
// a person knows which.
func (j *Job) mayHide(sc *Scale, objects []*Step) (list []Unseen) {
	_, sumKg := j.unpaired(sc.Setup.Sensor)
	if sumKg > 0 && slices.ContainsFunc(objects, func(o *Step) bool { return o.As == AsPan }) {
		return nil // the pan left it
	}
	list = j.streams(sc)
	if slices.ContainsFunc(objects, j.swapped) {
		list = append(list, InSwap)
	}
	return list
}

// mayHideLaid lists what may have hidden the going of what was laid on a scale
// before it counted.
func (j *Job) mayHideLaid(sc *Scale) (list []Unseen) {
	list = j.streams(sc)
	if slices.ContainsFunc(j.Steps, func(c Step) bool { return c.Sensor == sc.Setup.Sensor && c.As == AsSwap && c.Kg < 0 }) {
		list = append(list, InSwap)
	}
	return list
}

// streams lists which of a scale's there have been.
func (j *Job) streams(sc *Scale) (list []Unseen) {
	if sc.Setup.Load != SupplyLoad {
		list = append(list, InDraining)
	}
	if sc.Setup.Load == SupplyLoad || sc.Setup.Load == BothLoad && j.Added.Begun {
		list = append(list, InFilling)
	}
	return list
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

// addsUpBadly reports whether an object has gone that was not seen to come.
func (j *Job) addsUpBadly(sc *Scale) bool {
	objects, _ := j.unpaired(sc.Setup.Sensor)
	return slices.ContainsFunc(objects, func(o *Step) bool { return o.Kg < 0 })
}

// clear settles the objects of a scale on which a person sees none any more. What
// came and did not go was left behind by a pan, if one was among them; else what
// their weights do not add up to was counted as fluid, and is taken back.
func (j *Job) clear(sc *Scale, hid Unseen) {
	objects, sumKg := j.unpaired(sc.Setup.Sensor)
	for _, o := range objects {
		o.With = objects[len(objects)-1].ID
	}
	for i, kg := range sc.Lying {
		if sc.Vague || !sc.unnoticed(kg) {
			sc.Lying[i] = 0
		}
	}
	switch {
	case len(objects) == 0 || hid == InSwap:
	case hid != "":
		j.add(hid.account(), sumKg)
	default:
		j.add(j.hiddenIn(sc, objects, sumKg))
	}
}

// clearLaid settles what was laid on a scale before it counted and was not seen to
// go: tools that are off again, or something else.
func (j *Job) clearLaid(sc *Scale, tools bool, hid Unseen) {
	if streams := j.streams(sc); hid == "" {
		hid = streams[len(streams)-1] // the later one
	}
	for i, kg := range sc.Lying {
		if !sc.unnoticed(kg) {
			continue
		}
		if sc.Lying[i] = 0; tools && hid != InSwap {
			j.add(hid.account(), kg)
		}
	}
}

// hiddenIn finds the account in which objects most likely passed for fluid, and how
// much of them did.
func (j *Job) hiddenIn(sc *Scale, objects []*Step, sumKg float64) (Tally, float64) {
	stream := j.streamOf(sc.Setup.Load)
	if stream == OverflowTally {
		stream = j.streamAt(sc, objects[0].AtNs)
	}
	u2, heaviestKg := 0.0, 0.0
	for _, o := range objects {
		u2 += o.U2
		if o.Kg < heaviestKg {
			// It had come before it went.
			stream, heaviestKg = j.streamAt(sc, o.AtNs), o.Kg
		}
	}
	if hid := j.within(sc, sumKg, u2); hid != NoTally {
		return hid, sumKg
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
	return stream, sumKg
}

// LaidBeforeKg is what was laid on a scale before it counted, was not seen to go,
// and is light enough to have gone unnoticed beside a stream; 0 when there is no
// such thing.
func (s *State) LaidBeforeKg(sensor string) (kg float64) {
	sc := s.scale(sensor)
	if sc == nil || sc.Vague || !counts(sc.Setup.Load, s.Job.Phase) {
		return 0
	}
	for _, o := range sc.Lying {
		if sc.unnoticed(o) {
			kg += o
		}
	}
	return kg
}

// laid lists that for all scales.
func (s *State) laid() (list []Level) {
	for i := range s.Scales[:s.ScaleN] {
		sensor := s.Scales[i].Setup.Sensor
		if kg := s.LaidBeforeKg(sensor); kg > 0 {
			list = append(list, Level{sensor, kg})
		}
	}
	return list
}

// within finds the stream that hid the other end of an object: it was in a step of a
// pair, of which the weights then differ by what is missing, or each of several
// pairs took a part of it.
func (j *Job) within(sc *Scale, missingKg, u2 float64) (stream Tally) {
	var allKg, allU2 [OverflowTally + 1]float64
	bestKg := math.Abs(missingKg) / 2
	fits := func(restKg, restU2 float64) bool {
		off := math.Abs(restKg + missingKg)
		if off > sc.bandKg()+float64(2*math.Sqrt(restU2)) || off >= bestKg || off >= math.Abs(restKg)/2 {
			return false // or nothing was in it at all
		}
		bestKg = off
		return true
	}
	for i := j.StepsBefore; i < len(j.Steps); i++ {
		n := &j.Steps[i]
		if n.Sensor != sc.Setup.Sensor || n.With == 0 || n.With >= n.ID || n.As != AsObject || n.LeftKg != 0 || j.wasPan(n) {
			continue // what a pan left is fluid
		}
		restKg, restU2 := n.Kg, n.U2
		for _, c := range j.Steps[j.StepsBefore:i] {
			if c.With == n.ID {
				restKg += c.Kg
				restU2 += c.U2
			}
		}
		at := j.streamAt(sc, n.AtNs)
		allKg[at] += restKg
		allU2[at] += restU2
		if fits(restKg, restU2+u2) {
			stream = at
		}
	}
	for at := DrainedTally; stream == NoTally && at <= OverflowTally; at++ {
		if fits(allKg[at], allU2[at]+u2) {
			stream = at
		}
	}
	return stream
}

// swapped reports whether the other end of an object may be within a step in which a
// container was changed.
func (j *Job) swapped(o *Step) bool {
	return slices.ContainsFunc(j.Steps[j.StepsBefore:], func(c Step) bool {
		return c.Sensor == o.Sensor && c.As == AsSwap && (c.Kg > 0) == (o.Kg < 0) && (c.ID < o.ID) == (o.Kg < 0)
	})
}

// wasPan reports whether what a step left behind is fluid by a person's word.
func (j *Job) wasPan(gone *Step) bool { return gone.With > 0 && j.Steps[gone.With-1].As == AsPan }
