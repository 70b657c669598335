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
	// Returns says that the same went away again as slowly: as fluid it was drained,
	// and poured.
	Returns bool
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

// BySignal stands for who decided where the signal itself proves what a step
// was.
const BySignal = "signal"

const (
	// An object that comes off lighter left fluid behind, but no more than its own
	// weight: a pan or a filter carries less than that.
	leastObjectShare = 0.5
	// A pan that drips lies longer than this, and weighs less with what is in it: what
	// does not may be one of two tools (common practice, no source).
	leastDripNs = 15e9
	mostPanKg   = 5.0
	// ... and of a change that is known no better than to this share of it the signal
	// proves nothing.
	vagueShare = 0.15
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
		if c == n || c.Sensor != n.Sensor || c.With != 0 || c.Returns {
			continue
		}
		if c.As == "" || c.As.object() && n.As != AsLean || c.As == AsLean && c.Kg > 0 && !n.As.object() {
			open = append(open, c)
			sumKg += c.Kg
			sumU2 += c.U2
		}
	}
	said := n.As != ""
	// The signal alone proves less than a person's word; and what comes after something
	// went is as often another container. However badly a step is divided from a
	// stream, a third of the object shows.
	near := func(kg, u2 float64) bool {
		slackKg, uKg := sc.bandKg(), float64(2*math.Sqrt(u2))
		switch {
		case !said && n.Kg > 0:
			return math.Abs(kg)+uKg <= slackKg
		case !said:
			slackKg /= 2
		}
		return math.Abs(kg) <= slackKg+min(uKg, max(math.Abs(n.Kg), math.Abs(n.Kg-kg))/3)
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
	// Of several, many sums come near by chance.
	sure := func(u2 float64) bool { return said || float64(2*math.Sqrt(u2)) <= sc.bandKg() }
	// A pan goes lighter than it came: no sum that comes near proves anything then.
	pan := !said && slices.ContainsFunc(open, func(c *Step) bool { return c.As == AsPan })
	panGoes := n.As == AsPan && n.Kg < 0 && slices.ContainsFunc(open, func(c *Step) bool { return c.As == AsPan && c.ID < n.ID })
	rank := func(c *Step) int {
		switch {
		case c.As == "":
			return 0
		case said && c.As == n.As:
			return 2
		}
		return 1
	}
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
		// What a person has called an object goes before what may be fluid, a tool by a
		// person's word before a pan.
		better := len(best) != 1 || rank(c) > rank(best[0])
		worse := len(best) == 1 && rank(c) < rank(best[0])
		if rest := c.Kg + n.Kg; near(rest, c.U2+n.U2) && !worse && (better || math.Abs(rest) < bestKg) {
			best, bestKg = []*Step{c}, math.Abs(rest)
		}
		for _, d := range open[i+1:] {
			if n.Kg > 0 || pan || panGoes {
				break // what comes back is one thing: too many sums come near by chance
			}
			if rest := c.Kg + d.Kg + n.Kg; sure(c.U2+d.U2+n.U2) && may(d) && d.ID < n.ID && near(rest, c.U2+d.U2+n.U2) && len(best) != 1 && math.Abs(rest) < bestKg {
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
	if len(best) == 1 && !said && slices.ContainsFunc(open, func(c *Step) bool {
		return c.As == "" && c != best[0] && best[0].As != "" && c.ID < n.ID && math.Abs(c.Kg+n.Kg) < bestKg
	}) {
		return // an object by a person's word fits, and what nobody has decided yet fits better
	}
	if pan && n.Kg < 0 {
		thePan := slices.ContainsFunc(open, func(c *Step) bool {
			return c.As == AsPan && c.ID < n.ID && c.Kg+n.Kg > -sc.bandKg() && -n.Kg >= float64(leastObjectShare*c.Kg)
		})
		another := slices.ContainsFunc(open, func(c *Step) bool {
			return c.As != AsPan && c.ID < n.ID && c.Kg > 0 && near(c.Kg+n.Kg, c.U2+n.U2)
		})
		if thePan && another {
			return // the one, and nothing left; or the other, and fluid left
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
		// Or a push that passed for fluid is over.
		if !taken && !vague(u2, best...) && (said || !j.undoes(sc, n)) {
			j.pair(sc, n, best...)
		}
		return
	}
	// Or was it part of what another one seemed to leave behind? While others lie
	// there the signal does not tell.
	lying := slices.ContainsFunc(open, func(o *Step) bool { return o.Kg > 0 && o.ID < n.ID })
	// Where fluid goes away, the signal alone does not prove it.
	for i := j.StepsBefore; (said || !lying && sc.Direction > 0) && i < id-1; i++ {
		e := &j.Steps[i]
		rest := e.LeftKg + n.Kg
		if e.Sensor == n.Sensor && e.LeftKg > sc.bandKg() && !j.wasPan(e) && may(e) && near(rest, e.U2+n.U2) && math.Abs(rest) < bestKg-max(float64(sc.bandKg()/4), float64(2*math.Sqrt(n.U2))) {
			e.LeftKg = rest
			j.join(n, e)
			j.add(j.tallyOf(sc.Setup.Load, 1), n.Kg)
			return
		}
	}
	if len(open) > 2 && !pan && !panGoes && sure(sumU2) && near(sumKg, sumU2) && !slices.ContainsFunc(open, func(c *Step) bool {
		unsaid := c.As == "" && float64(2*math.Sqrt(sumU2)) > sc.bandKg()
		lies := math.Abs(sumKg) > max(sc.bandKg(), math.Abs(c.Kg)/2) // still, or the other one that belongs to it
		return !may(c) || unsaid || lies
	}) {
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
		case !said && o.As != AsPan && (n.FromNs-o.FromNs < leastDripNs || o.Kg > mostPanKg):
			continue
		case rest < 0 && (!said || !j.poured(sc, n.FromNs) || !sc.unnoticed(-rest)):
			continue // no more can have been poured meanwhile
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

// poured reports whether fluid was poured from a scale at a time.
func (j *Job) poured(sc *Scale, atNs int64) bool {
	return sc.Setup.Load == SupplyLoad || sc.Setup.Load == BothLoad && slices.ContainsFunc(j.Phases, func(p PhaseAt) bool {
		return p.Phase == Filling && p.AtNs < atNs
	})
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
