package study

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"bayfill/fillcalc"
	"bayfill/sim"
)

// beginNs is the time at which every job begins, in ns since 1970 UTC; any time would do.
const beginNs = 1_800_000_000e9

// tickAfter is the silence after which an event notes that time has passed, as in the
// bridge.
const tickAfter = time.Second

// play is one job being played.
type play struct {
	d      *Distribution
	rng    *rand.Rand // for technician and workshop
	place  *rand.Rand // for what only some worlds have
	drawn  drawn
	cart   *sim.Cart
	scales []*scale
	now    time.Duration // simulated time
	s      fillcalc.State
	seq    uint64
	lastNs int64
	log    io.Writer            // nil: none
	took   func(fillcalc.Event) // called with every event; nil: not

	technician
	watch
}

type scale struct {
	*sim.Scale
	p           sim.ScaleParams
	reads       int64
	silentUntil time.Duration
}

// due is the time of the next reading, computed from the start so that rounding
// errors do not add up.
func (s *scale) due() time.Duration {
	return time.Duration(float64(s.reads+1) / s.p.ReadsPerS * float64(time.Second))
}

func newPlay(d *Distribution, seed, number uint64, log io.Writer) *play {
	rng, place := rand.New(rand.NewPCG(seed, number)), rand.New(rand.NewPCG(seed, ^number))
	p := &play{d: d, rng: rng, place: place, drawn: draw(d, rng, place), log: log}
	p.cart = sim.NewCart(p.drawn.cart)
	if p.pouredFromBottles() {
		p.bringBottles()
	}
	for _, params := range p.drawn.scales {
		p.scales = append(p.scales, &scale{Scale: sim.NewScale(params, rng.Uint64()), p: params})
	}
	p.do(fillcalc.Input{Do: fillcalc.DoStart, Setup: &p.drawn.setup})
	return p
}

// say logs a line, for the replay of a single job.
func (p *play) say(format string, args ...any) {
	if p.log != nil {
		fmt.Fprintf(p.log, "%7.1f s  %s\n", p.now.Seconds(), fmt.Sprintf(format, args...))
	}
}

func (p *play) apply(e fillcalc.Event) {
	p.seq++
	p.lastNs = max(p.lastNs+1, p.nowNs())
	e.Seq, e.AtNs = p.seq, p.lastNs
	p.s = fillcalc.Apply(p.s, e)
	if p.took != nil {
		p.took(e)
	}
}

// do applies an input if the fold accepts it; otherwise the error says why not.
func (p *play) do(in fillcalc.Input) error {
	if p.now < p.downUntil {
		return errors.New("the program is not running")
	}
	if err := fillcalc.Check(&p.s, &in); err != nil {
		return err
	}
	p.apply(fillcalc.Event{Kind: fillcalc.KindInput, Input: &in})
	return nil
}

// pass lets time pass, reading by reading and move by move.
func (p *play) pass(d time.Duration) {
	end := p.now + d
	for {
		due := p.scales[0].due()
		for _, s := range p.scales[1:] {
			due = min(due, s.due())
		}
		due = min(due, p.nextMove())
		if due > end {
			break
		}
		p.reach(due)
		p.act()
	}
	p.reach(end)
}

// reach moves cart and scales to a time and folds the readings that are due then.
func (p *play) reach(at time.Duration) {
	if at > p.now {
		p.cart.Step(at - p.now)
	}
	for i, s := range p.scales {
		s.Advance(p.cart, at-p.now)
		if s.due() != at {
			continue
		}
		s.reads++
		sample := s.Read()
		if at < s.silentUntil || p.drawn.stableOnly[i] && !sample.Stable {
			continue
		}
		e := fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: p.drawn.setup.Scales[i].Sensor, N: uint64(s.reads), Value: sample.Kg, Stability: fillcalc.InMotion}
		if sample.Stable {
			e.Stability = fillcalc.Stable
		}
		switch {
		case sample.Over:
			e.Faults = fillcalc.FaultOverload
		case sample.Under:
			e.Faults = fillcalc.FaultUnderload
		}
		p.apply(e)
	}
	p.now = at
	if p.nowNs()-p.lastNs > int64(tickAfter) && p.now >= p.downUntil {
		p.apply(fillcalc.Event{Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoTick}})
	}
	p.look()
}
