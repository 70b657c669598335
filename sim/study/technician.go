package study

import (
	"math"
	"slices"
	"time"

	"bayfill/fillcalc"
)

// never is later than any job lasts.
const never = time.Duration(math.MaxInt64)

// patience bounds every wait for the fold.
const patience = 3 * time.Minute

// technician is what is still to be done, and when.
type technician struct {
	planned   []planned // in order of time
	busyUntil time.Duration
	downUntil time.Duration // the program is not running
	toolsOn   int
	jugAt     time.Duration // when the manual way would read the jug
	jugC      float64       // and how warm it then is
	refused   string        // why the job could not be closed properly
}

type planned struct {
	at time.Duration
	do func()
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// later plans something.
func (p *play) later(after time.Duration, do func()) {
	at := p.now + after
	i := len(p.planned)
	for i > 0 && p.planned[i-1].at > at {
		i--
	}
	p.planned = slices.Insert(p.planned, i, planned{at, do})
}

func (p *play) nextMove() time.Duration {
	if len(p.planned) == 0 {
		return never
	}
	return p.planned[0].at
}

// act does what is due.
func (p *play) act() {
	for len(p.planned) > 0 && p.planned[0].at <= p.now {
		do := p.planned[0].do
		p.planned = p.planned[1:]
		do()
	}
}

// until passes time until something holds, or patience ends.
func (p *play) until(holds func() bool) bool {
	for end := p.now + patience; p.now < end; p.pass(200 * time.Millisecond) {
		if holds() {
			return true
		}
	}
	return holds()
}

// whenFree waits for both hands, and keeps them for so long.
func (p *play) whenFree(long time.Duration) {
	p.until(func() bool { return p.now >= p.busyUntil })
	p.busyUntil = p.now + long
}

// phase goes on to another phase as soon as the fold lets it.
func (p *play) phase(to fillcalc.Phase) {
	p.until(func() bool { return p.do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: to}) == nil })
	p.say("phase %s", to)
}

// job is the whole of it.
func (p *play) job() {
	w := &p.d.Work
	p.pass(seconds(8))
	p.do(fillcalc.Input{Do: fillcalc.DoOpen, Job: &p.drawn.spec})
	p.phase(fillcalc.Draining)
	p.pass(seconds(5))
	if chance(p.rng, w.BaselineShare) {
		p.do(fillcalc.Input{Do: fillcalc.DoBaseline})
		p.say("baseline")
		p.pass(seconds(5))
	}
	p.drain()
	p.service()
	p.phase(fillcalc.Filling)
	p.pass(seconds(3))
	p.disturb(fillcalc.Filling, 60)
	p.fill(w.PourKgS, 0.05)

	p.phase(fillcalc.Running)
	p.cart.StartEngine()
	p.say("engine on")
	warmS := w.WarmUpS.draw(p.rng)
	p.disturb(fillcalc.Running, warmS)
	p.pass(seconds(warmS))
	p.phase(fillcalc.Checking)
	p.fill(w.TopUpKgS, 0.02)
	p.pass(seconds(w.CheckS.draw(p.rng)))
	p.fill(w.TopUpKgS, 0.005)
	p.cart.StopEngine()
	p.say("engine off")
	p.pass(seconds(10))
	p.close()
}

func (p *play) drain() {
	drainS := p.d.Work.DrainS.draw(p.rng)
	p.jugAt = p.now + seconds(drainS+p.d.Manual.CoolsS.draw(p.rng))
	p.say("pan opened")
	p.cart.OpenDrain()
	p.streamed("drain", p.caddyScale(), 2*time.Minute)
	p.disturb(fillcalc.Draining, drainS)
	p.pass(seconds(drainS))
}

func (p *play) service() {
	panInService := chance(p.rng, 0.5)
	if !panInService {
		p.takePan()
	}
	p.phase(fillcalc.Service)
	if panInService {
		p.pass(seconds(5))
		p.takePan()
	}
	serviceS := p.d.Work.ServiceS.draw(p.rng)
	p.disturb(fillcalc.Service, serviceS)
	p.pass(seconds(serviceS))
	p.cart.CloseDrain()
	p.say("pan closed")
	p.pass(seconds(10))
}

// fill pours until the fold says that no more than enoughL remains, in bursts.
func (p *play) fill(rateKgS Range, enoughL float64) {
	w := &p.d.Work
	for range 60 {
		p.supplyMoves()
		p.until(func() bool { return p.now >= p.busyUntil && p.s.Volumes().Quality == "good" })
		plan, err := p.s.Plan()
		if err != nil {
			p.say("no plan: %v", err)
			p.pass(seconds(w.PourPauseS.draw(p.rng)))
			continue
		}
		if plan.RemainingL <= enoughL {
			break
		}
		remainsKg := plan.RemainingL * p.drawn.spec.Fresh.DensityKgM3 / 1000
		kgS := rateKgS.draw(p.rng)
		s := math.Min(w.PourS.draw(p.rng), remainsKg/kgS)
		if s < 2 { // the last bit runs slowly
			kgS, s = remainsKg/2, 2
		}
		p.pour(kgS, s)
		p.pass(seconds(w.PourPauseS.draw(p.rng)))
	}
}

func (p *play) pour(kgS, s float64) {
	p.say("pour %.3f kg/s for %.1f s", kgS, s)
	p.cart.StartPour(kgS)
	if s >= 2 && kgS <= maxFlowKgS {
		p.streamed("pour", p.supplyScale(), seconds(s))
	}
	// Once in a job or so a scale falls silent in the middle.
	if chance(p.rng, p.d.Moves.GapRunningShare/10) {
		p.later(seconds(s*p.rng.Float64()), func() { p.gap(p.supplyScale()) })
	}
	p.pass(seconds(s))
	p.cart.StopPour()
}

// close ends the job when all is said, and all tools are off.
func (p *play) close() {
	for len(p.planned) > 0 || p.toolsOn > 0 { // a forgotten tool is found in the end
		p.pass(time.Second)
	}
	p.pass(seconds(restNs/1e9 + 1))
	in := fillcalc.Input{Do: fillcalc.DoClose}
	p.until(func() bool { return fillcalc.Check(&p.s, &in) == nil && p.s.Volumes().Quality == "good" })
	p.clear()
	p.compare()
	err := p.do(in)
	if err == nil {
		return
	}
	p.refused = err.Error()
	p.say("close refused: %s", p.refused)
	for _, step := range p.s.Job.Steps {
		if step.As == "" {
			p.do(fillcalc.Input{Do: fillcalc.DoDecide, Step: step.ID, As: fillcalc.AsObject})
		}
	}
	in.Why = p.refused
	p.do(in)
}
