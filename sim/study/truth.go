package study

import (
	"fmt"
	"math"
	"slices"
	"time"

	"bayfill/fillcalc"
	"bayfill/sim"
)

// watch knows the true cause of every change and compares the fold with it.
type watch struct {
	past    []moment // loads of the scales, as far back as a step can have begun
	streams []stream
	moves   []moved
	holes   []moved // times without readings
	panLies bool
	objects []object
	steps   []truth // of each step so far
	rest    rest
	counts  Counts
	notes   []string // what went wrong
	live    live
}

// Counts is how often the fold was wrong, and how often it had to ask.
type Counts struct {
	Moves        int // changes of load other than fluid
	Miscounted   int // how often the fold by itself took something else for fluid, or fluid for something else
	DividedBadly int // how often the tally was off although every change was held and decided correctly
	Streams      int // of fluid
	Left         int // streams that ended as an undecided step
	Asked        int // questions that the technician had to answer
}

// truth is the right decision for a step, and the part of it that was not fluid.
type truth struct {
	right   fillcalc.Decision
	otherKg float64
}

// moment is the load of each scale at a time, by kind, as a perfect scale shows it.
type moment struct {
	atNs int64
	on   [2]loads
}

// object is a tool that was laid on a scale.
type object struct {
	scale   int
	kg      float64
	goneNs  int64 // 0 while it lies there
	counted bool  // the scale was counting when the object came
}

// laid notes a tool that comes.
func (p *play) laid(scale int, kg float64) {
	phase := p.s.Job.Phase
	counted := phase == fillcalc.Filling || phase == fillcalc.Running || phase == fillcalc.Checking ||
		p.drawn.setup.Scales[scale].Load != fillcalc.SupplyLoad && (phase == fillcalc.Draining || phase == fillcalc.Service)
	p.objects = append(p.objects, object{scale: scale, kg: kg, counted: counted})
}

// gone notes a tool that goes.
func (p *play) gone(scale int, kg float64) {
	for i := range p.objects {
		if o := &p.objects[i]; o.scale == scale && o.kg == kg && o.goneNs == 0 {
			o.goneNs = p.nowNs()
			return
		}
	}
}

// before reports whether the object that went in a step had come before the scale
// counted.
func (p *play) before(scale int, step fillcalc.Step) bool {
	return step.Kg < 0 && slices.ContainsFunc(p.objects, func(o object) bool {
		return o.scale == scale && o.goneNs >= step.FromNs && o.goneNs <= step.AtNs && !o.counted
	})
}

type loads struct{ objectKg, otherKg, fluidKg float64 }

func (a loads) minus(b loads) loads {
	return loads{a.objectKg - b.objectKg, a.otherKg - b.otherKg, a.fluidKg - b.fluidKg}
}

// stream is fluid that ran for at least two seconds, no faster than the fold's limit.
type stream struct {
	moved
	left bool // it ended as an undecided step
}

// moved is something that happened on a scale during a time.
type moved struct {
	what         kind
	scale        int
	fromNs, toNs int64
	held         bool // a step covers it
}

func (m *moved) overlaps(scale int, fromNs, toNs int64) bool {
	return m.scale == scale && m.fromNs < toNs && m.toNs > fromNs
}

const (
	tailNs      = 1e9 // how long the end of a sudden change is visible
	pastEveryNs = 50e6
	pastKept    = 4000 // 200 s
)

func (p *play) nowNs() int64 { return beginNs + int64(p.now) }

// streamed notes a stream of fluid.
func (p *play) streamed(what kind, scale int, d time.Duration) {
	p.streams = append(p.streams, stream{moved: moved{what: what, scale: scale, fromNs: p.nowNs(), toNs: p.nowNs() + int64(d)}})
	p.counts.Streams++
}

// moved notes a change of load that is not fluid and takes s seconds.
func (p *play) moved(what kind, scale int, s float64) {
	p.moves = append(p.moves, moved{what: what, scale: scale, fromNs: p.nowNs(), toNs: p.nowNs() + int64(seconds(s))})
	p.counts.Moves++
}

// hole notes s seconds without readings.
func (p *play) hole(scale int, s float64) {
	p.holes = append(p.holes, moved{what: kindHole, scale: scale, fromNs: p.nowNs(), toNs: p.nowNs() + int64(seconds(s))})
}

// trueKg is the fluid that came into the caddy, with what ran over, and the fluid that went from the
// supply into the transmission, as a perfect scale shows it.
func (p *play) trueKg() (drained, added float64) {
	t := p.cart.Truth()
	return p.inAir(t.DrainedKg-t.SpilledKg, p.drawn.cart.Used) + p.inAir(t.OverflowedKg, p.drawn.cart.Fresh), p.inAir(t.AddedKg, p.drawn.cart.Fresh)
}

func (p *play) inAir(kg float64, f sim.Fluid) float64 {
	return kg / fillcalc.BuoyancyFactor(f.Density15KgM3, p.drawn.cart.AirKgM3)
}

func (p *play) loads(scale int, drainedKg, addedKg float64) loads {
	on := p.scales[scale].p.What
	l := loads{objectKg: p.cart.ObjectsKg(on)}
	if on != sim.OnSupply {
		l.fluidKg += drainedKg
	}
	if on != sim.OnCaddy {
		l.fluidKg -= addedKg
	}
	l.otherKg = p.cart.LoadKg(on) - l.objectKg - l.fluidKg
	return l
}

// look is called after every reading. It records the truth, judges new steps and
// compares the tally whenever everything is at rest.
func (p *play) look() {
	nowNs := p.nowNs()
	if n := len(p.past); n == 0 || nowNs-p.past[n-1].atNs >= pastEveryNs {
		m := moment{atNs: nowNs}
		drained, added := p.trueKg()
		for i := range p.scales {
			m.on[i] = p.loads(i, drained, added)
		}
		if len(p.past) == 2*pastKept {
			p.past = p.past[:copy(p.past, p.past[pastKept:])]
		}
		p.past = append(p.past, m)
	}
	p.lookLive()
	if p.now <= p.jugAt || p.jugAt == 0 {
		p.jugC = p.cart.Truth().CaddyC
	}
	for _, step := range p.s.Job.Steps[len(p.steps):] {
		p.seeStep(step)
	}
	if p.now >= p.rest.next && p.atRest() {
		p.compare()
	}
}

func (p *play) seeStep(step fillcalc.Step) {
	scale := 0
	for i, s := range p.drawn.setup.Scales {
		if s.Sensor == step.Sensor {
			scale = i
		}
	}
	fromNs := step.FromNs
	if step.Cause == fillcalc.Backward {
		fromNs -= 5e9 // it becomes visible late
	}
	right, change := p.judge(scale, fromNs, step)
	switch {
	case step.Returns && p.leant(scale, fromNs, step.AtNs):
		right = fillcalc.AsLean
	case right == fillcalc.AsObject && p.before(scale, step):
		right = fillcalc.AsBefore
	case right == fillcalc.AsObject && (p.since(kindPanLaid, fromNs) || p.since(kindPanTaken, fromNs)):
		right = fillcalc.AsPan
	}
	p.say("step %d on %s: %+.3f kg (± %.3f) %s since %.1f s, truly %s (objects %+.3f, other %+.3f, fluid %+.3f kg); by signal %q",
		step.ID, step.Sensor, step.Kg, 2*math.Sqrt(step.U2), step.Cause, float64(fromNs-beginNs)/1e9, right,
		change.objectKg, change.otherKg, change.fluidKg, step.As)
	otherKg := change.objectKg + change.otherKg
	if p.panLies {
		otherKg += change.fluidKg // fluid that runs out of the pan stays on the scale
	}
	p.steps = append(p.steps, truth{right, otherKg})
	for i := range p.moves {
		if m := &p.moves[i]; m.overlaps(scale, fromNs, step.AtNs) {
			m.held = true
		}
	}
	for i := range p.streams {
		if s := &p.streams[i]; right == fillcalc.AsFluid && !s.left && s.overlaps(scale, fromNs, step.AtNs) && !p.inHole(&s.moved) {
			s.left = true
			p.counts.Left++
			p.note("the %s was left as a step", s.what)
		}
	}
	if step.As == "" {
		gone := 0
		if right == fillcalc.AsObject && p.tippedMeanwhile(scale, fromNs, step) {
			if gone = p.goneIn(scale, step); gone == 0 && step.Kg > 0 {
				right = fillcalc.AsPan // fluid came with it
			}
		}
		p.decideLater(step.ID, right, gone)
	}
}

// decideLater lets the technician read and decide a step after a while.
func (p *play) decideLater(id int, right fillcalc.Decision, gone int) {
	p.later(seconds(p.d.Work.DecideS.draw(p.rng)), func() {
		switch {
		case p.s.Job.Steps[id-1].As != "":
		case p.now < p.downUntil, gone > 0 && p.s.Job.Steps[gone-1].As == "":
			p.decideLater(id, right, gone)
		default:
			p.counts.Asked++
			if chance(p.place, p.d.Work.WrongShare) {
				right, gone = p.wrong(right), 0
			}
			p.say("decided: step %d is %s", id, right)
			in := fillcalc.Input{Do: fillcalc.DoDecide, Step: id, As: right}
			if gone > 0 {
				in.As, in.Gone = fillcalc.AsFluid, gone
				p.say("... fluid, and the object of step %d gone", gone)
			}
			if err := p.do(in); err != nil {
				p.say("refused: %v", err)
				p.do(fillcalc.Input{Do: fillcalc.DoDecide, Step: id, As: right})
			}
		}
	})
}

// wrong draws an answer other than the right one.
func (p *play) wrong(right fillcalc.Decision) fillcalc.Decision {
	answers := slices.DeleteFunc([]fillcalc.Decision{fillcalc.AsFluid, fillcalc.AsObject, fillcalc.AsSwap},
		func(as fillcalc.Decision) bool { return as == right })
	return answers[p.place.IntN(len(answers))]
}

// tippedMeanwhile reports whether a significant part of a step was fluid that came into
// the caddy while a tool was laid down or taken away.
func (p *play) tippedMeanwhile(scale int, fromNs int64, step fillcalc.Step) bool {
	const minKg = 0.05
	change := p.shown(scale, fromNs, step.AtNs)
	return step.Kg-change.objectKg > minKg+float64(2*math.Sqrt(step.U2)) && change.fluidKg > minKg
}

// goneIn finds the tool that was taken away in a step and returns the step with which
// it had come, 0 when that is not known.
func (p *play) goneIn(scale int, step fillcalc.Step) int {
	for _, o := range p.objects {
		if o.scale != scale || o.goneNs < step.FromNs || o.goneNs > step.AtNs {
			continue
		}
		for _, came := range p.s.Job.Steps[p.s.Job.StepsBefore : step.ID-1] {
			if came.Sensor == step.Sensor && came.Kg > 0 && came.With == 0 && math.Abs(came.Kg-o.kg) < 2*p.bandKg(scale) {
				return came.ID
			}
		}
	}
	return 0
}

// doubts reports whether the fold knows of an object on a scale that came and has not
// gone, or the other way round.
func (p *play) doubts(sensor string) bool {
	return p.s.LaidBeforeKg(sensor) > 0 || slices.ContainsFunc(p.s.Job.Steps[p.s.Job.StepsBefore:], func(step fillcalc.Step) bool {
		return step.Sensor == sensor && (step.As == fillcalc.AsObject || step.As == fillcalc.AsPan) && step.With == 0
	})
}

// clear lets the technician look at the scales and answer what the fold asks.
func (p *play) clear() {
	for _, ask := range p.s.Next() {
		if ask.Do != fillcalc.DoCleared {
			continue
		}
		in := fillcalc.Input{Do: ask.Do, Sensor: ask.Sensor}
		if ask.Before {
			in.Before = &ask.Before
		}
		if ask.Unseen != nil {
			in.Unseen = p.hidden(ask.Sensor)
		}
		p.counts.Asked++
		p.say("cleared: no object lies on %s (before: %t) %s", in.Sensor, ask.Before, in.Unseen)
		if err := p.do(in); err != nil {
			p.say("refused: %v", err)
		}
	}
}

// hidden tells what hid the last tool of a scale that came or went without a step of
// its own: a stream or the change of a container.
func (p *play) hidden(sensor string) fillcalc.Unseen {
	for _, m := range slices.Backward(p.moves) {
		if m.what != kindToolLaid && m.what != kindToolTaken || p.drawn.setup.Scales[m.scale].Sensor != sensor {
			continue
		}
		switch as := p.coveredBy(m); {
		case as == fillcalc.AsObject || as == fillcalc.AsBefore:
		case as == fillcalc.AsSwap:
			return fillcalc.InSwap
		case slices.ContainsFunc(p.s.Job.Phases, func(at fillcalc.PhaseAt) bool { return at.Phase == fillcalc.Filling && at.AtNs < m.fromNs }):
			return fillcalc.InFilling
		default:
			return fillcalc.InDraining
		}
	}
	return ""
}

// coveredBy is the decision of the step in which a move was made; empty when there
// was no such step.
func (p *play) coveredBy(m moved) fillcalc.Decision {
	for _, step := range p.s.Job.Steps {
		if m.held && step.Sensor == p.drawn.setup.Scales[m.scale].Sensor && m.overlaps(m.scale, step.FromNs, step.AtNs) {
			return step.As
		}
	}
	return ""
}

func (p *play) inHole(m *moved) bool {
	for _, h := range p.holes {
		if h.overlaps(m.scale, m.fromNs, m.toNs) {
			return true
		}
	}
	return false
}

// judge returns the right decision for a step, and its true parts. The technician
// knows what was moved by hand; a step is fluid only when that is a small part of it.
func (p *play) judge(scale int, fromNs int64, step fillcalc.Step) (fillcalc.Decision, loads) {
	const noneKg, goodPart, containerKg = 0.01, 1.0 / 3, 0.25
	change := p.shown(scale, fromNs, step.AtNs)
	if math.Abs(change.objectKg)+math.Abs(change.otherKg)+math.Abs(change.fluidKg) < goodPart*math.Abs(step.Kg) {
		change = p.shown(scale, fromNs-tailNs, step.AtNs) // the end of a change that an earlier hold cut off
	}
	objectKg, otherKg, stepKg := math.Abs(change.objectKg), math.Abs(change.otherKg), math.Abs(step.Kg)
	switch {
	case objectKg > otherKg && objectKg > goodPart*stepKg && p.leant(scale, fromNs, step.AtNs):
		return fillcalc.AsLean, change
	case p.pouredFromBottles() && scale == p.supplyScale() && otherKg > objectKg && otherKg > noneKg && stepKg < minBottlesBroughtKg:
		return fillcalc.AsFluid, change // by what the bottle that comes back is lighter, fluid was poured
	case max(objectKg, otherKg) < max(noneKg, goodPart*stepKg):
		// A kick leaves no change, so the step is fluid, however it is divided.
		return fillcalc.AsFluid, change
	case otherKg > max(noneKg, min(goodPart*stepKg, containerKg)):
		return fillcalc.AsSwap, change
	}
	return fillcalc.AsObject, change
}

// shown is the true change on a scale between two times as the fold sees it, delayed
// by the filter of the indicator and its own.
func (p *play) shown(scale int, fromNs, toNs int64) loads {
	const foldLagNs = 3e8
	lagNs := int64(seconds(p.scales[scale].p.FilterS/2)) + foldLagNs
	return p.at(toNs - lagNs).on[scale].minus(p.at(fromNs - lagNs).on[scale])
}

// at is the load of the scales at a time.
func (p *play) at(ns int64) moment {
	for i := len(p.past) - 1; i > 0; i-- {
		if p.past[i].atNs <= ns {
			return p.past[i]
		}
	}
	return p.past[0]
}

func (p *play) note(format string, args ...any) {
	p.notes = append(p.notes, fmt.Sprintf("%.0f s: ", p.now.Seconds())+fmt.Sprintf(format, args...))
	p.say("NOTE "+format, args...)
}

// since reports whether a move ended after a time.
func (p *play) since(what kind, ns int64) bool {
	return slices.ContainsFunc(p.moves, func(m moved) bool { return m.what == what && m.toNs > ns })
}

// leant reports whether somebody leaned on a scale during a time.
func (p *play) leant(scale int, fromNs, toNs int64) bool {
	for i := range p.moves {
		if m := &p.moves[i]; m.what == kindLean && m.overlaps(scale, fromNs, toNs) {
			return true
		}
	}
	return false
}
