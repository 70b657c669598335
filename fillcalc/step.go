package fillcalc

import (
	"math"
	"slices"
)

// Step is a change that is held apart until it is known what it was.
type Step struct {
	ID     int // from 1 within a job
	Sensor string
	FromNs int64   // it happened after this
	FromKg float64 // the level then
	AtNs   int64   // when it had settled
	Kg     float64 // as the scale shows it; negative when weight went away
	U2     float64 // kg², how well it could be told from what flowed meanwhile
	Cause  Cause
	Tally  Tally    // the account it goes to when it was fluid
	As     Decision // empty while undecided
	By     string   // who decided
	// With is the other step of a pair: an object that came and went. What it left
	// behind is counted with the later one. 0 for none.
	// A lean without a held other end stands with itself.
	With int
	// LeftKg is what an object left behind when it went.
	LeftKg float64
}

// Decision is what a step was.
type Decision string

const (
	AsFluid  Decision = "fluid"  // it is counted as it went: drained or added
	AsObject Decision = "object" // a tool: never counted
	AsPan    Decision = "pan"    // an object with fluid in it: what it leaves behind is counted
	AsSwap   Decision = "swap"   // a container changed or emptied: the tally stays
	AsLean   Decision = "lean"   // somebody's weight, gone again: what it seemed to add is taken back
	AsBefore Decision = "before" // an object that lay there before the scale counted
)

func (d Decision) object() bool { return d == AsObject || d == AsPan }

// wasPan tells whether what a step left behind is fluid by a person's word.
func (j *Job) wasPan(gone *Step) bool { return gone.With > 0 && j.Steps[gone.With-1].As == AsPan }

// BySignal stands for who decided where the signal itself proves what a step
// was.
const BySignal = "signal"

const (
	// An object that comes off lighter left fluid behind, but no more than its own
	// weight: a pan or a filter carries less than that.
	leastObjectShare = 0.5
	// ... and of a change that is known no better than to this share of it the signal
	// proves nothing.
	vagueShare = 0.15
	// Nobody leans on a cart for longer.
	leanNs = 60e9
	// So long fluid may run while something else is held.
	longestHoldS = 4.0
)

// match joins a step to those that it ends, where the signal proves that an
// object came and went, or a person has said so. All that is left over is
// counted, so that it weighs as if the object had never been there. Whichever of
// several objects is taken for the one that went, the sum is right once all have
// gone.
func (j *Job) match(sc *Scale, id int) {
	n := &j.Steps[id-1]
	var open []*Step // what is no fluid and not matched yet, the newest first
	sumKg, sumU2 := n.Kg, n.U2
	for i := len(j.Steps) - 1; i >= j.StepsBefore; i-- {
		c := &j.Steps[i]
		if c == n || c.Sensor != n.Sensor || c.With != 0 {
			continue
		}
		if c.As == "" || c.As.object() && n.As != AsLean || c.As == AsLean && c.Kg > 0 && !n.As.object() {
			open = append(open, c)
			sumKg += c.Kg
			sumU2 += c.U2
		}
	}
	said := n.As != ""
	// However badly a step is divided from a stream, a third of the object shows.
	near := func(kg, u2 float64) bool {
		return math.Abs(kg) <= sc.bandKg()+min(float64(2*math.Sqrt(u2)), max(math.Abs(n.Kg), math.Abs(n.Kg-kg))/3)
	}
	// What happened while nobody measured proves nothing by itself.
	known := func(c *Step) bool { return c.Cause != Away || c.As != "" }
	may := func(c *Step) bool { return known(n) && known(c) }
	// The signal proves nothing that it hardly knows.
	vague := func(u2 float64, came ...*Step) bool {
		leastKg := math.Abs(n.Kg)
		for _, c := range came {
			leastKg = min(leastKg, math.Abs(c.Kg))
		}
		return !said && float64(2*math.Sqrt(u2)) > max(sc.bandKg(), float64(vagueShare*leastKg))
	}
	// A pan goes lighter than it came: no sum that comes near proves anything then.
	pan := !said && slices.ContainsFunc(open, func(c *Step) bool { return c.As == AsPan })
	panGoes := n.As == AsPan && n.Kg < 0 && slices.ContainsFunc(open, func(c *Step) bool { return c.As == AsPan && c.ID < n.ID })
	// Alone, or with another one that was laid on for itself.
	var best []*Step
	bestKg := math.Inf(1)
	for _, c := range j.leaning(n) {
		if rest := c.Kg + n.Kg; !n.As.object() && near(rest, c.U2+n.U2) && math.Abs(rest) < bestKg {
			best, bestKg = []*Step{c}, math.Abs(rest)
		}
	}
	for i, c := range open {
		if !may(c) || c.ID > n.ID || panGoes && c.As != AsPan { // the later one ends the earlier
			continue
		}
		// What a person has called an object goes before what may be fluid.
		better := len(best) != 1 || best[0].As == "" && c.As != ""
		worse := len(best) == 1 && best[0].As != "" && c.As == ""
		if rest := c.Kg + n.Kg; near(rest, c.U2+n.U2) && !worse && (better || math.Abs(rest) < bestKg) {
			best, bestKg = []*Step{c}, math.Abs(rest)
		}
		for _, d := range open[i+1:] {
			if n.Kg > 0 || pan || panGoes {
				break // what comes back is one thing: too many sums come near by chance
			}
			if rest := c.Kg + d.Kg + n.Kg; may(d) && d.ID < n.ID && near(rest, c.U2+d.U2+n.U2) && len(best) != 1 && math.Abs(rest) < bestKg {
				best, bestKg = []*Step{c, d}, math.Abs(rest)
			}
		}
	}
	if i := sc.lies(-n.Kg); n.Kg < 0 && known(n) && n.As != AsLean && i >= 0 {
		if rest := sc.Lying[i] + n.Kg; near(rest, n.U2) && math.Abs(rest) < bestKg {
			if vague(n.U2) {
				return
			}
			if n.As == "" {
				n.By = BySignal
			}
			n.As, sc.Lying[i] = AsBefore, 0
			return
		}
	}
	if best != nil {
		u2 := n.U2
		for _, c := range best {
			u2 += c.U2
		}
		// Another one may fit better to the one that fits best here.
		taken := len(best) == 1 && slices.ContainsFunc(open, func(o *Step) bool {
			return o != best[0] && math.Abs(o.Kg+best[0].Kg) < bestKg
		})
		if !taken && !vague(u2, best...) {
			j.pair(sc, n, best...)
		}
		return
	}
	// Or was it part of what another one seemed to leave behind? While others lie
	// there nobody can tell.
	lying := slices.ContainsFunc(open, func(o *Step) bool { return o.Kg > 0 && o.ID < n.ID })
	// Where fluid goes away, the signal alone does not prove it.
	for i := j.StepsBefore; !lying && (said || sc.Direction > 0) && i < id-1; i++ {
		e := &j.Steps[i]
		rest := e.LeftKg + n.Kg
		if e.Sensor == n.Sensor && e.LeftKg > sc.bandKg() && !j.wasPan(e) && may(e) && near(rest, e.U2+n.U2) && math.Abs(rest) < bestKg-max(float64(sc.bandKg()/4), float64(2*math.Sqrt(n.U2))) {
			e.LeftKg = rest
			j.join(n, e)
			j.add(j.tallyOf(sc.Setup.Load, 1), n.Kg)
			return
		}
	}
	if len(open) > 2 && !pan && !panGoes && near(sumKg, sumU2) && !slices.ContainsFunc(open, func(c *Step) bool { return !may(c) }) {
		j.pair(sc, n, open...) // all is gone
		return
	}
	if n.As.object() && n.Kg < 0 && !lying && j.partOf(sc, n) {
		return
	}
	if c := j.left(sc, n, open, said); c != nil && n.As != AsLean {
		j.join(n, c)
		direction, leftKg := float64(sc.Direction), c.Kg+n.Kg
		if leftKg > sc.bandKg()+float64(4*math.Sqrt(c.U2+n.U2)) {
			n.LeftKg = leftKg
			direction = 1 // what an object leaves behind has drained, whatever the phase
		}
		j.add(j.tallyOf(sc.Setup.Load, direction), leftKg)
		return
	}
	if n.As == "" && j.leant(sc, n) {
		n.As, n.By = AsLean, BySignal
		j.add(j.tallyOf(sc.Setup.Load, float64(sc.Direction)), n.Kg)
	}
}

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

// left finds the arrival of an object that goes with another weight than it came
// with: lighter where it left fluid behind; and where fluid leaves a supply, with
// whatever left at the same moment. The signal alone proves it for a lone object
// on the caddy, a person's word for any.
func (j *Job) left(sc *Scale, n *Step, open []*Step, said bool) (c *Step) {
	// Where fluid goes away too, the signal alone proves nothing.
	if n.Kg > 0 || !said && (len(open) != 1 || sc.Direction < 0 || n.Cause == Away || n.Cause == Backward || open[0].Cause == Away) {
		return nil
	}
	for _, o := range open {
		rest := o.Kg + n.Kg
		switch {
		case o.ID > n.ID || o.Kg < 0 || said && o.As == "":
			continue
		case rest > 0 && o.As == AsObject && o.By != BySignal && (n.As != AsPan || len(open) > 1):
			continue // a tool leaves nothing
		case !said && rest < sc.bandKg()+float64(4*math.Sqrt(o.U2+n.U2)):
			continue // the two are not known well enough to prove a difference
		case rest > 0 && (sc.Setup.Load == SupplyLoad || -n.Kg < float64(leastObjectShare*o.Kg)):
			continue
		case rest < 0 && (!said || !j.poured(sc, n.FromNs)):
			continue
		}
		if c == nil || math.Abs(rest) < math.Abs(c.Kg+n.Kg) {
			c = o
		}
	}
	return c
}

// rematch looks again at the steps that may end others, after a person said what
// one was: what is found for one may free another.
func (j *Job) rematch(sc *Scale) {
	for range len(j.Steps) {
		found := false
		for _, goes := range []bool{true, false} { // what goes ends what came, seldom the other way round
			for id := j.StepsBefore + 1; id <= len(j.Steps); id++ {
				if n := &j.Steps[id-1]; n.Sensor == sc.Setup.Sensor && n.With == 0 && n.As.object() && (n.Kg < 0) == goes {
					j.match(sc, id)
					found = found || n.With != 0
				}
			}
		}
		if !found {
			return
		}
	}
}

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

// leans tells whether a step is a push whose end nobody has seen.
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
		case c.Sensor != n.Sensor || c.Kg < 0 || n.AtNs-c.AtNs > leanNs:
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

// poured tells whether fluid was poured from a scale at a time.
func (j *Job) poured(sc *Scale, atNs int64) bool {
	return sc.Setup.Load == SupplyLoad || sc.Setup.Load == BothLoad && slices.ContainsFunc(j.Phases, func(p PhaseAt) bool {
		return p.Phase == Filling && p.AtNs < atNs
	})
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

// pair joins step n to those that it ends. What they differ by belongs to the
// streams beside which they were weighed, to each as badly as it could be told
// from it.
func (j *Job) pair(sc *Scale, n *Step, came ...*Step) {
	leftKg, u2 := n.Kg, n.U2
	for _, c := range came {
		leftKg += c.Kg
		u2 += c.U2
	}
	j.join(n, came...)
	restKg := leftKg
	for _, c := range came {
		part := float64(leftKg * (c.U2 / u2))
		j.add(j.streamAt(sc, c.AtNs), part)
		restKg -= part
	}
	j.add(j.streamAt(sc, n.AtNs), restKg)
}

// streamAt is the account that a scale's stream fed at a time.
func (j *Job) streamAt(sc *Scale, atNs int64) Tally {
	switch {
	case j.poured(sc, atNs):
		return AddedTally
	case j.Phase == Checking && atNs > j.PhaseNs:
		return j.tallyOf(sc.Setup.Load, 1) // it may have run over
	}
	return DrainedTally
}

// join notes which steps belong together.
func (j *Job) join(n *Step, came ...*Step) {
	for _, c := range append(came, n) {
		if c.leans() {
			j.add(AddedTally, -c.Kg) // its end was held after all
		}
		c.With = n.ID
		switch {
		case c.As != "":
		case n.As == AsLean:
			c.As, c.By = AsLean, n.By
		case came[0].As == AsLean:
			c.As, c.By = AsLean, BySignal
		default:
			c.As, c.By = AsObject, BySignal
		}
	}
	n.With = came[0].ID
}

// leant tells whether a step back undoes a rise that was taken for fluid: the
// level is again where it rested shortly before, and nothing else happened
// since.
func (j *Job) leant(sc *Scale, n *Step) bool {
	if n.Kg > 0 || sc.Direction < 0 {
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

// leanOver decides a push that went away as slowly as it came, on a scale from
// which fluid is expected to go: its rise was held, its end was taken for fluid.
func (j *Job) leanOver(sc *Scale, atNs int64) {
	if len(j.Steps) == j.StepsBefore || sc.Direction > 0 || sc.Setup.Load == SupplyLoad {
		return // a supply that was refilled goes down again too
	}
	n := &j.Steps[len(j.Steps)-1]
	if n.As == AsFluid || n.As == AsSwap || n.With != 0 || n.Sensor != sc.Setup.Sensor || n.Cause != Backward || n.Kg < 0 || atNs-n.AtNs > leanNs ||
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
