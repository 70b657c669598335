package study

import (
	"math"
	"slices"
	"time"

	"bayfill/fillcalc"
)

// never is later than the end of any job.
const never = time.Duration(math.MaxInt64)

const (
	patience      = 3 * time.Minute  // limits every wait for the fold
	closePatience = 30 * time.Minute // limits the wait for the last question
)

// technician is the work that is still to be done, and when.
type technician struct {
	planned   []planned     // sorted by time
	busyUntil time.Duration // until then both hands are busy
	downUntil time.Duration // until then the program is not running
	toolsOn   int
	jugAt     time.Duration // when the manual method would read the jug
	jugC      float64       // temperature in the jug at that time
	refused   string        // why the job could not be closed normally
	warned    []string      // what warned whoever closed it
}

type planned struct {
	at time.Duration
	do func()
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// later plans an action.
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

// act does everything that is due.
func (p *play) act() {
	for len(p.planned) > 0 && p.planned[0].at <= p.now {
		do := p.planned[0].do
		p.planned = p.planned[1:]
		do()
	}
}

// until lets time pass until a condition holds or patience ends, and reports whether it
// holds.
func (p *play) until(holds func() bool) bool {
	for end := p.now + patience; p.now < end; p.pass(200 * time.Millisecond) {
		if holds() {
			return true
		}
	}
	return holds()
}

// whenFree waits until both hands are free and keeps them busy for the given time.
func (p *play) whenFree(busy time.Duration) {
	p.until(func() bool { return p.now >= p.busyUntil })
	p.busyUntil = p.now + busy
}

// phase changes to another phase as soon as the fold allows it. Where that says that only
// the containers stand on the scales, tools come off first.
func (p *play) phase(to fillcalc.Phase) {
	if to == fillcalc.Service || to == fillcalc.Filling {
		p.until(func() bool { return p.toolsOn == 0 && p.now >= p.busyUntil })
	}
	p.until(func() bool { return p.do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: to}) == nil })
	p.say("phase %s", to)
}

// job does the whole job.
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
	if p.drawn.spec.Check == fillcalc.ByOverflow {
		p.pass(seconds(5))
		p.pour(0.04, 2+6*p.place.Float64()) // until it runs over
		kg := w.OverflowKg.draw(p.place)
		p.say("%.3f kg run out of the check opening", kg)
		p.cart.RunOver(kg)
		p.pass(seconds(60))
	}
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
	p.streamed()
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

// fill pours in bursts until the fold says that at most enoughL litres remain.
func (p *play) fill(rateKgS Range, enoughL float64) {
	w := &p.d.Work
	for range 60 {
		p.supplyMoves()
		p.until(func() bool { return p.now >= p.busyUntil && p.s.Volumes().Quality.Good() })
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
		if remainsKg < 2*kgS { // the last part is poured slowly
			kgS, s = remainsKg/2, 2
		}
		if p.pouredFromBottles() {
			p.pourBottle(kgS, s)
		} else {
			p.pour(kgS, s)
		}
		p.pass(seconds(w.PourPauseS.draw(p.rng)))
	}
}

func (p *play) pour(kgS, s float64) {
	p.say("pour %.3f kg/s for %.1f s", kgS, s)
	p.cart.StartPour(kgS)
	p.streamed()
	// About once per job with such gaps, a scale falls silent during a pour.
	if chance(p.rng, p.d.Moves.GapRunningShare/10) {
		p.later(seconds(s*p.rng.Float64()), func() { p.gap(p.supplyScale()) })
	}
	p.pass(seconds(s))
	p.cart.StopPour()
}

// close ends the job once everything is decided and all tools are off.
func (p *play) close() {
	// A forgotten tool is found at the end. In wind questions may never end: then the
	// technician gives up.
	for end := p.now + closePatience; p.now < end && (len(p.planned) > 0 || p.toolsOn > 0); {
		p.pass(time.Second)
	}
	p.pass(seconds(5))
	p.until(func() bool { return p.do(fillcalc.Input{Do: fillcalc.DoClear}) == nil })
	p.say("clear")
	in := fillcalc.Input{Do: fillcalc.DoClose}
	for end := p.now + closePatience; p.now < end; p.pass(200 * time.Millisecond) {
		if fillcalc.Check(&p.s, &in) == nil && p.s.Volumes().Quality.Good() {
			break
		}
	}
	for _, at := range p.askedAt {
		p.counts.NeededS = append(p.counts.NeededS, (p.now - at).Seconds())
	}
	p.warned = p.told()
	err := p.do(in)
	if err == nil {
		return
	}
	p.refused = err.Error()
	p.say("close refused: %s", p.refused)
	in.Why = p.refused
	for _, c := range p.s.Questions() {
		p.do(fillcalc.Input{Do: fillcalc.DoAnswer, Change: c.ID, As: fillcalc.AsGone})
	}
	p.do(in)
}
