package study

import (
	"math"
	"strings"
	"time"

	"bayfill/fillcalc"
)

// rest is the last time at which nothing moved, no object lay on the scales and
// everything was decided. At a rest the tally must be right within the band of the
// scale, and a change of its error since the rest before has a cause in between.
type rest struct {
	known   bool
	next    time.Duration // next time to look
	errorKg [2]float64    // fold less truth: drained, added
	dripKg  float64       // true drained mass
	moveN   int           // number of moves so far
	stepN   int           // number of steps so far
}

const (
	restEvery = time.Second
	restNs    = 4e9 // nothing must have moved for this time
)

func (p *play) bandKg(scale int) float64 {
	setup := &p.drawn.setup.Scales[scale]
	return 4 * (setup.ResolutionKg + setup.RepeatabilityKg)
}

// changeSince is the true change on a scale since a time.
func (p *play) changeSince(scale int, ns int64) loads {
	drained, added := p.trueKg()
	return p.loads(scale, drained, added).minus(p.at(ns).on[scale])
}

// flowing reports whether a significant amount of fluid truly ran just before now.
func (p *play) flowing(scale int) bool {
	return math.Abs(p.changeSince(scale, p.nowNs()-restNs).fluidKg) > p.bandKg(scale)/4
}

func (p *play) atRest() bool {
	p.rest.next = p.now + restEvery
	if !p.s.Job.Phase.Open() || p.toolsOn > 0 || p.panLies || p.now < p.downUntil {
		return false
	}
	for i := range p.scales {
		change := p.changeSince(i, p.nowNs()-restNs)
		if p.flowing(i) || math.Abs(change.objectKg)+math.Abs(change.otherKg) > 0.001 || p.now < p.scales[i].silentUntil {
			return false
		}
	}
	for _, m := range p.moves[p.rest.moveN:] {
		if m.toNs+restNs > p.nowNs() {
			return false
		}
	}
	if p.s.Job.Phase == fillcalc.Checking {
		p.clear()
	}
	for _, scale := range p.drawn.setup.Scales {
		if p.doubts(scale.Sensor) {
			return false
		}
	}
	v := p.s.Volumes()
	return v.Quality.Good() && v.UndecidedL == 0
}

// compare compares the tally with the truth. When they have moved apart since the
// rest before, it blames what happened in between. A difference within the
// uncertainty that the fold still states is not judged until the fold no longer
// states it.
func (p *play) compare() {
	drippedKg, _ := p.trueKg()
	r := rest{known: true, next: p.rest.next, dripKg: drippedKg, moveN: len(p.moves), stepN: len(p.s.Job.Steps), errorKg: p.errorKg()}
	was := p.rest
	if !was.known || p.s.Job.StepsBefore > was.stepN {
		p.rest = r
		return
	}
	blamed, pending := [2]bool{}, false
	jumps := [2]float64{r.errorKg[0] - was.errorKg[0], r.errorKg[1] - was.errorKg[1]}
	// A single scale sees only the difference between a pour and a drip. What is then
	// missing in both accounts alike was not caused by a step.
	bandKg, missingKg := p.bandKg(0), -min(jumps[0], jumps[1])
	if len(p.scales) == 1 && p.s.Job.Phase != fillcalc.Draining && p.s.Job.Phase != fillcalc.Service &&
		missingKg > bandKg && missingKg < min(r.dripKg-was.dripKg+bandKg/4, 3*bandKg) && math.Abs(jumps[0]-jumps[1]) < bandKg/4 {
		p.counts.DividedBadly++
		p.note("divided badly: %.3f kg dripped unseen while the one scale was poured from", missingKg)
		p.rest = r
		return
	}
	for i, scale := range []int{p.caddyScale(), p.supplyScale()} {
		jumpKg := jumps[i]
		switch off := math.Abs(jumpKg); {
		case off <= p.bandKg(scale):
		case off <= p.bandKg(scale)+2*math.Sqrt(p.admittedU2(scale, was.stepN)):
			pending = true
		default:
			p.blame([]string{"drained", "added"}[i], jumpKg, scale, was, !blamed[scale])
			blamed[scale] = true // one cause affects both accounts of one scale
		}
	}
	if !pending || blamed[0] || blamed[1] {
		p.rest = r
	}
}

// errorKg is the result of the fold less the truth, drained and added, without the
// part that the slopes of the scales cause.
func (p *play) errorKg() [2]float64 {
	v, j := p.s.Volumes(), &p.s.Job
	drained, added := p.trueKg()
	return [2]float64{
		(v.DrainedKg/j.UsedFactor+v.OverflowL*j.FreshKgM3/1000/j.FreshFactor)/(1+p.scales[p.caddyScale()].p.GainError) - drained,
		v.AddedKg/j.FreshFactor/(1+p.scales[p.supplyScale()].p.GainError) - added,
	}
}

// admittedU2 is the squared standard uncertainty in kg² that the fold states for the
// steps that it divided on a scale.
func (p *play) admittedU2(scale, sinceStep int) float64 {
	u2 := 0.0
	for _, step := range p.s.Job.Steps[sinceStep:] {
		whole := step.With != 0 || step.As == fillcalc.AsFluid || step.As == fillcalc.AsLean
		if step.Sensor == p.drawn.setup.Scales[scale].Sensor && !whole {
			u2 += step.U2
		}
	}
	return u2
}

func (p *play) blame(account string, jumpKg float64, scale int, since rest, count bool) {
	miscounted := false
	var what []string
	for _, m := range p.moves[since.moveN:] {
		if m.scale == scale {
			what = append(what, string(m.what))
			miscounted = miscounted || !m.held && m.what != kindKick // a kick leaves no change
		}
	}
	for _, step := range p.s.Job.Steps[since.stepN:] {
		if step.Sensor == p.drawn.setup.Scales[scale].Sensor && step.By == fillcalc.BySignal {
			miscounted = miscounted || p.mistaken(scale, step)
			what = append(what, "step decided by signal as "+string(step.As))
		}
	}
	kind, counter := "divided badly", &p.counts.DividedBadly
	if miscounted {
		kind, counter = "miscounted", &p.counts.Miscounted
	}
	if count {
		*counter++
	}
	p.note("%s: %s went %+.3f kg off (band %.3f): %s", kind, account, jumpKg, p.bandKg(scale), strings.Join(what, ", "))
}

// mistaken reports whether a decision by signal is wrong: for a step by itself, or for
// the steps that it was paired with, when their objects do not cancel.
func (p *play) mistaken(scale int, step fillcalc.Step) bool {
	right := p.steps[step.ID-1].right
	switch {
	case step.As != fillcalc.AsObject && step.As != fillcalc.AsPan:
		return right != step.As
	case right == fillcalc.AsFluid || step.With == 0:
		return true
	}
	last := max(step.ID, step.With)
	sumKg, pan := p.steps[last-1].otherKg, right == fillcalc.AsPan
	for _, c := range p.s.Job.Steps[:last-1] {
		if c.With == last {
			sumKg += p.steps[c.ID-1].otherKg
			pan = pan || p.steps[c.ID-1].right == fillcalc.AsPan
		}
	}
	return !pan && math.Abs(sumKg) > p.bandKg(scale) // the difference of a pan is fluid
}
