package study

import (
	"math"
	"slices"
	"time"

	"bayfill/fillcalc"
	"bayfill/sim"
)

// watch knows the true cause of every change and compares the fold with it.
type watch struct {
	past    []moment // loads of the scales, as far back as a change can have begun
	moves   []moved
	panLies bool
	objects []object
	seen    []int        // changes so far
	asked   map[int]bool // changes of which the technician has been asked
	askedAt []time.Duration
	nextAsk time.Duration
	counts  Counts
	live    live
}

// Counts is what the technician had to do for the fold.
type Counts struct {
	Moves   int // changes of load other than fluid
	Streams int // of fluid
	Asked   int // questions that the technician had to answer
	// Clear is how many of them one thing explains, so that a person who looks can answer.
	Clear int
	// NeededS is, for each of them, after how many seconds the job was to be closed.
	NeededS []float64
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
	laidNs  int64
	goneNs  int64 // 0 while it lies there
	counted bool  // the scale was counting when the object came
}

// laid notes a tool that comes.
func (p *play) laid(scale int, kg float64) {
	phase := p.s.Job.Phase
	counted := phase == fillcalc.Filling || phase == fillcalc.Running || phase == fillcalc.Checking ||
		p.drawn.setup.Scales[scale].Load != fillcalc.SupplyLoad && (phase == fillcalc.Draining || phase == fillcalc.Service)
	p.objects = append(p.objects, object{scale: scale, kg: kg, laidNs: p.nowNs(), counted: counted})
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

type loads struct{ objectKg, otherKg, fluidKg float64 }

func (a loads) minus(b loads) loads {
	return loads{a.objectKg - b.objectKg, a.otherKg - b.otherKg, a.fluidKg - b.fluidKg}
}

// moved is something that happened on a scale during a time.
type moved struct {
	what         kind
	scale        int
	fromNs, toNs int64
}

func (m *moved) overlaps(scale int, fromNs, toNs int64) bool {
	return m.scale == scale && m.fromNs < toNs && m.toNs > fromNs
}

const (
	tailNs      = 1e9 // how long the end of a sudden change is visible
	pastEveryNs = 50e6
	pastKept    = 20000 // 1000 s
)

func (p *play) nowNs() int64 { return beginNs + int64(p.now) }

// streamed notes a stream of fluid.
func (p *play) streamed() { p.counts.Streams++ }

// moved notes a change of load that is not fluid and takes s seconds.
func (p *play) moved(what kind, scale int, s float64) {
	p.moves = append(p.moves, moved{what: what, scale: scale, fromNs: p.nowNs(), toNs: p.nowNs() + int64(seconds(s))})
	p.counts.Moves++
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

// look is called after every reading. It records the truth and answers what the fold asks.
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
	for len(p.seen) < len(p.s.Job.Changes) {
		c := p.s.Job.Changes[len(p.seen)]
		p.seen = append(p.seen, c.ID)
		right, change := p.judge(p.scaleOf(c.Sensor), c)
		p.say("change %d on %s: %+.3f kg (± %.3f) %s since %.1f s, truly %s (objects %+.3f, other %+.3f, fluid %+.3f kg); by signal %q of %d to %d",
			c.ID, c.Sensor, c.Kg, 2*math.Sqrt(c.U2), c.Cause, float64(c.FromNs-beginNs)/1e9, right, change.objectKg, change.otherKg, change.fluidKg, c.As, c.First, c.Last)
	}
	if len(p.seen) > 0 && p.now >= p.nextAsk {
		p.nextAsk = p.now + time.Second
		p.hear()
	}
}

// hear plans answers to what the fold asks.
func (p *play) hear() {
	for _, c := range p.s.Questions() {
		if p.asked[c.ID] {
			continue
		}
		if p.asked == nil {
			p.asked = map[int]bool{}
		}
		p.asked[c.ID] = true
		p.counts.Asked++
		p.askedAt = append(p.askedAt, p.now)
		if p.oneThing(c) {
			p.counts.Clear++
		}
		id := c.ID
		p.later(seconds(p.d.Work.DecideS.draw(p.rng)), func() { p.answer(id) })
	}
}

// oneThing reports whether one thing makes up most of a change: an object, a container or
// fluid, or somebody who leaned.
func (p *play) oneThing(c fillcalc.Change) bool {
	const most = 0.8
	scale := p.scaleOf(c.Sensor)
	_, change := p.judge(scale, c)
	largestKg := max(math.Abs(change.objectKg), math.Abs(change.otherKg), math.Abs(change.fluidKg))
	return p.leant(scale, c.FromNs, c.AtNs) || largestKg >= most*math.Abs(c.Kg) && math.Abs(c.Kg) >= most*largestKg
}

// answer tells the fold what a change was, as the technician sees it now.
func (p *play) answer(id int) {
	c := p.s.Job.Changes[id-1]
	if c.As != "" {
		delete(p.asked, id)
		return
	}
	as, _ := p.judge(p.scaleOf(c.Sensor), c)
	if chance(p.place, p.d.Work.WrongShare) {
		as = p.wrong(as)
	}
	p.say("answer: change %d was %s", id, as)
	if err := p.do(fillcalc.Input{Do: fillcalc.DoAnswer, Change: id, As: as}); err != nil {
		p.say("refused: %v", err)
		p.later(time.Second, func() { p.answer(id) })
		return
	}
	delete(p.asked, id)
}

// wrong draws an answer other than the right one.
func (p *play) wrong(right fillcalc.Label) fillcalc.Label {
	answers := slices.DeleteFunc([]fillcalc.Label{fillcalc.AsFluid, fillcalc.AsGone, fillcalc.AsThing, fillcalc.AsContainer},
		func(as fillcalc.Label) bool { return as == right })
	return answers[p.place.IntN(len(answers))]
}

func (p *play) scaleOf(sensor string) int {
	for i, s := range p.drawn.setup.Scales {
		if s.Sensor == sensor {
			return i
		}
	}
	return 0
}

// judge returns the right label of a change, and its true parts. The technician knows what
// was moved by hand, and sees what lies there now.
func (p *play) judge(scale int, c fillcalc.Change) (fillcalc.Label, loads) {
	const noneKg, goodPart = 0.01, 1.0 / 3
	fromNs := c.FromNs
	change := p.shown(scale, fromNs, c.AtNs+tailNs)
	if math.Abs(change.objectKg)+math.Abs(change.otherKg)+math.Abs(change.fluidKg) < goodPart*math.Abs(c.Kg) {
		change = p.shown(scale, fromNs-tailNs, c.AtNs+tailNs)
	}
	if math.Abs(change.objectKg)+math.Abs(change.otherKg)+math.Abs(change.fluidKg) < goodPart*math.Abs(c.Kg) {
		return fillcalc.AsThing, change // nothing came or went: somebody knocked against it
	}
	objectKg, otherKg, kg := math.Abs(change.objectKg), math.Abs(change.otherKg), math.Abs(c.Kg)
	bottle := p.pouredFromBottles() && scale == p.supplyScale()
	switch {
	case bottle && c.Kg < 0 && otherKg > objectKg && otherKg > noneKg:
		return fillcalc.AsBottle, change
	case bottle && otherKg > objectKg && otherKg > noneKg && kg < minBottlesBroughtKg:
		return fillcalc.AsGone, change
	case p.leant(scale, fromNs, c.AtNs):
		return fillcalc.AsGone, change
	case max(objectKg, otherKg) < max(noneKg, goodPart*kg):
		return fillcalc.AsFluid, change // a kick leaves no change
	case otherKg > objectKg:
		return fillcalc.AsContainer, change
	case p.lies(scale, c, fromNs):
		return fillcalc.AsThing, change
	}
	return fillcalc.AsGone, change
}

// lies reports whether what came in a change still lies there, or what went in it had lain
// there before the scale counted.
func (p *play) lies(scale int, c fillcalc.Change, fromNs int64) bool {
	return c.Kg > 0 && p.panLies && p.panLaid(scale, fromNs-tailNs, c.AtNs+tailNs) || slices.ContainsFunc(p.objects, func(o object) bool {
		switch {
		case o.scale != scale:
			return false
		case c.Kg > 0:
			return o.goneNs == 0 && o.laidNs >= fromNs-tailNs && o.laidNs <= c.AtNs+tailNs
		}
		return !o.counted && o.goneNs >= fromNs-tailNs && o.goneNs <= c.AtNs
	})
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

// panLaid reports whether the pan was laid on a scale during a time.
func (p *play) panLaid(scale int, fromNs, toNs int64) bool {
	return slices.ContainsFunc(p.moves, func(m moved) bool { return m.what == kindPanLaid && m.overlaps(scale, fromNs, toNs) })
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
