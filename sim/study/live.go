package study

import (
	"math"
	"time"
)

// live holds the absolute errors of the live added volume in mL, how many seconds it was
// behind the truth, and how often it fell by more than its uncertainty.
type live struct {
	ml      []float64
	behindS []float64
	back    int
	mostL   float64
	next    time.Duration
}

// While fluid is poured at a usual rate, somebody watches the live figure to stop in
// time: it is compared with the truth every 200 ms.
const (
	liveEvery  = 200 * time.Millisecond
	liveMinKgS = 0.03
	liveMaxKgS = 0.07
)

func (p *play) lookLive() {
	if p.now < p.live.next {
		return
	}
	p.live.next = p.now + liveEvery
	t := p.cart.Truth()
	if t.PourFlowKgS < liveMinKgS || t.PourFlowKgS > liveMaxKgS || p.now < p.downUntil {
		return
	}
	v := p.s.Volumes()
	if math.IsNaN(v.AddedL) { // nothing is shown before the first reading
		return
	}
	trueL := t.AddedKg / p.drawn.cart.Fresh.DensityKgM3(referenceC) * 1000
	p.live.ml = append(p.live.ml, 1000*math.Abs(v.AddedL-trueL))
	p.live.behindS = append(p.live.behindS, (trueL-v.AddedL)*p.drawn.cart.Fresh.DensityKgM3(referenceC)/1000/t.PourFlowKgS)
	if v.AddedL < p.live.mostL-v.AddedUL {
		p.live.back++
		p.say("the live figure fell from %.4f to %.4f ± %.4f L", p.live.mostL, v.AddedL, v.AddedUL)
		p.live.mostL = v.AddedL
	}
	p.live.mostL = max(p.live.mostL, v.AddedL)
}
