package study

import (
	"math"
	"time"

	"bayfill/fillcalc"
)

// What the technician does with the pan, and everything else that is not a stream of
// fluid: tools, kicks, leans, changed containers, silent scales. Each is noted in
// watch, which knows the truth.

// kind says what happened on a scale.
type kind string

const (
	kindPanLaid  kind = "pan laid on"
	kindPanTaken kind = "pan taken off"

	kindToolLaid       kind = "tool laid on"
	kindToolTaken      kind = "tool taken off"
	kindRag            kind = "rag"
	kindKick           kind = "kick"
	kindLean           kind = "lean"
	kindCaddyTaken     kind = "caddy taken away"
	kindCaddyBack      kind = "caddy put back"
	kindSupplyTaken    kind = "supply taken away"
	kindSupplyBack     kind = "supply put back"
	kindSupplyRefilled kind = "supply refilled"
	kindBottleTaken    kind = "bottle taken"
	kindBottleBack     kind = "bottle put back"
)

func (p *play) caddyScale() int { return 0 }

func (p *play) supplyScale() int { return len(p.scales) - 1 }

// takePan empties the pan in one of three ways.
func (p *play) takePan() {
	pan := &p.d.Pan
	kg := p.cart.Truth().PanKg
	switch share := p.rng.Float64(); {
	case share < pan.SlowShare:
		s := max(2, kg/pan.SlowKgS.draw(p.rng))
		p.whenFree(seconds(s + 3))
		p.say("pan tipped in slowly: %.3f kg in %.1f s", kg, s)
		p.cart.TipPan(seconds(s))
		p.streamed()
		p.pass(seconds(s + 3))
	case share < pan.SlowShare+pan.LaidShare:
		metalKg := pan.MetalKg.draw(p.rng)
		p.whenFree(seconds(3))
		p.say("pan of %.3f kg laid on with %.3f kg in it", metalKg, kg)
		p.cart.LayPanOnCaddy(metalKg, seconds(pan.DripTauS.draw(p.rng)))
		p.moved(kindPanLaid, p.caddyScale(), 1)
		p.panLies = true
		p.pass(seconds(pan.LiesS.draw(p.rng)))
		p.whenFree(seconds(5))
		p.cart.TakePanFromCaddy(metalKg)
		p.say("pan taken off, %.3f kg left in it", p.cart.Truth().PanKg)
		p.moved(kindPanTaken, p.caddyScale(), 1)
		p.panLies = false
		p.pass(seconds(5))
	default:
		s := pan.FastS.draw(p.rng)
		p.whenFree(seconds(s + 3))
		portions := 1
		if chance(p.place, pan.Portions) {
			portions = 2 + p.place.IntN(2)
		}
		p.say("pan tipped in: %.3f kg in %.1f s, in %d portions", kg, s, portions)
		for n := range portions - 1 {
			p.cart.TipPan(seconds(s * float64(portions-n) / float64(portions)))
			p.pass(seconds(s / float64(portions)))
			p.cart.StopTip()
			p.pass(seconds(3 + 5*p.place.Float64()))
		}
		p.cart.TipPan(seconds(s / float64(portions)))
		p.pass(seconds(s + 3))
	}
}

// disturb plans disturbances within the next s seconds, in one of the four phases of
// a job.
func (p *play) disturb(phase fillcalc.Phase, s float64) {
	const phases = 4
	m := &p.d.Moves
	sometimes := func(share float64, do func()) {
		if chance(p.rng, share) {
			p.later(seconds(s*(0.05+0.9*p.rng.Float64())), do)
		}
	}
	sometimes(map[fillcalc.Phase]float64{
		fillcalc.Draining: m.ToolDrainingShare, fillcalc.Service: m.ToolServiceShare, fillcalc.Filling: m.ToolFillingShare,
	}[phase], p.tool)
	sometimes(m.KickShare/phases, p.kick)
	sometimes(m.LeanShare/phases, p.lean)
	sometimes(m.RestartShare/phases, p.restart)
	sometimes(m.GapShare/phases, func() { p.quietGap(p.rng.IntN(len(p.scales))) })
	if chance(p.place, m.RagShare/phases) {
		p.later(seconds(s*p.place.Float64()), p.rag)
	}
	switch phase {
	case fillcalc.Draining:
		sometimes(m.CaddyEmptiedShare/2, p.emptyCaddy)
		if chance(p.rng, m.GapRunningShare/2) {
			p.later(seconds(40*p.rng.Float64()), func() { p.gap(p.caddyScale()) })
		}
	case fillcalc.Service:
		sometimes(m.CaddyEmptiedShare/2, p.emptyCaddy)
	}
}

// soon keeps both hands busy with a move for the given time. It returns false when
// they are already busy, and plans the move again for later.
func (p *play) soon(busy time.Duration, again func()) bool {
	if p.now < p.busyUntil {
		p.later(p.busyUntil-p.now+seconds(2*p.rng.Float64()), again)
		return false
	}
	p.busyUntil = p.now + busy
	return true
}

// gapBetween draws how long hands are busy with one object.
func (p *play) gapBetween() time.Duration { return seconds(1 + 7*p.rng.Float64()) }

// tool lays down a tool and takes it away later; sometimes a second one follows.
func (p *play) tool() {
	if !p.soon(p.gapBetween(), p.tool) {
		return
	}
	m := &p.d.Moves
	kg := m.ToolKg.draw(p.rng)
	scale, lay, takeAway := p.caddyScale(), p.cart.LayOnCaddy, p.cart.TakeFromCaddy
	if chance(p.rng, m.OnSupplyShare) {
		scale, lay, takeAway = p.supplyScale(), p.cart.LayOnSupply, p.cart.TakeFromSupply
	}
	p.say("tool of %.3f kg laid on scale %s", kg, p.drawn.setup.Scales[scale].Sensor)
	lay(kg)
	p.toolsOn++
	p.laid(scale, kg)
	p.moved(kindToolLaid, scale, 1)
	after := seconds(m.ToolLiesS.draw(p.rng))
	if chance(p.rng, m.ForgottenShare) {
		after += 4 * time.Minute
	}
	var take func()
	take = func() {
		if !p.soon(p.gapBetween(), take) {
			return
		}
		p.say("tool of %.3f kg taken off", kg)
		takeAway(kg)
		p.toolsOn--
		p.gone(scale, kg)
		p.moved(kindToolTaken, scale, 1)
	}
	p.later(after, take)
	if chance(p.rng, m.TwoToolsShare) {
		p.later(seconds(20*p.rng.Float64()), p.tool)
	}
}

// rag throws something on the caddy's scale that stays there for good.
func (p *play) rag() {
	kg := p.d.Moves.RagKg.draw(p.place)
	p.say("rag of %.3f kg thrown on scale %s", kg, p.drawn.setup.Scales[p.caddyScale()].Sensor)
	p.cart.LayOnCaddy(kg)
	p.laid(p.caddyScale(), kg)
	p.moved(kindRag, p.caddyScale(), 1)
}

func (p *play) kick() {
	if !p.soon(p.gapBetween(), p.kick) {
		return
	}
	kg := p.d.Moves.KickKg.draw(p.rng)
	p.say("kick of %.2f kg", kg)
	p.cart.Kick(kg)
	p.moved(kindKick, p.caddyScale(), 1)
}

func (p *play) lean() {
	m := &p.d.Moves
	kg, riseS, holdS, fallS := m.LeanKg.draw(p.rng), m.LeanRiseS.draw(p.rng), m.LeanHoldS.draw(p.rng), m.LeanFallS.draw(p.rng)
	if !p.soon(seconds(riseS+holdS+fallS+5), p.lean) {
		return
	}
	p.say("lean of %.2f kg within %.1f s", kg, riseS)
	p.cart.LeanOnCaddy(kg, seconds(riseS))
	p.moved(kindLean, p.caddyScale(), riseS+holdS+fallS)
	p.later(seconds(riseS+holdS), func() {
		p.say("lean ends within %.1f s", fallS)
		p.cart.LeanOnCaddy(0, seconds(fallS))
	})
}

// emptyCaddy waits until neither a tool nor the pan lies on the caddy.
func (p *play) emptyCaddy() {
	if p.toolsOn > 0 || p.panLies {
		p.later(5*time.Second, p.emptyCaddy)
		return
	}
	if !p.soon(30*time.Second, p.emptyCaddy) {
		return
	}
	p.say("caddy taken away and emptied")
	p.cart.EmptyCaddy()
	p.moved(kindCaddyTaken, p.caddyScale(), 1)
	p.later(20*time.Second, func() { p.moved(kindCaddyBack, p.caddyScale(), 1) })
}

// supplyMoves sometimes changes or refills the supply between two pours.
func (p *play) supplyMoves() {
	const poursPerJob = 10
	m := &p.d.Moves
	switch {
	case p.pouredFromBottles():
		if p.cart.Bottles() == 0 {
			p.whenFree(5 * time.Second)
			p.bringBottles()
			p.moved(kindSupplyBack, p.supplyScale(), 1)
			p.pass(seconds(5))
		}
	case p.cart.Truth().SupplyKg < 0.1 || chance(p.rng, m.SupplySwappedShare/poursPerJob):
		p.whenFree(20 * time.Second)
		p.say("supply swapped")
		p.cart.SwapSupply(p.d.Cart.SupplyKg.draw(p.rng))
		p.moved(kindSupplyTaken, p.supplyScale(), 1)
		p.pass(seconds(8))
		p.moved(kindSupplyBack, p.supplyScale(), 1)
		p.pass(seconds(5))
	case len(p.scales) == 2 && chance(p.rng, m.SupplyRefilledShare/poursPerJob):
		kg, kgS := m.RefillKg.draw(p.rng), p.d.Work.PourKgS.draw(p.rng)
		p.whenFree(seconds(kg/kgS + 10))
		p.say("supply refilled: %.3f kg at %.3f kg/s", kg, kgS)
		p.cart.StartRefill(kgS)
		p.moved(kindSupplyRefilled, p.supplyScale(), kg/kgS)
		p.pass(seconds(kg / kgS))
		p.cart.StopRefill()
		p.pass(seconds(5))
	}
}

// flowing reports whether a significant amount of fluid truly ran just before now.
func (p *play) flowing(scale int) bool {
	drained, added := p.trueKg()
	ranKg := p.loads(scale, drained, added).fluidKg - p.at(p.nowNs() - 4e9).on[scale].fluidKg
	return math.Abs(ranKg) > 0.005
}

// quietGap silences a scale while no fluid runs on it, and keeps hands busy so that
// none starts.
func (p *play) quietGap(scale int) {
	s := p.d.Moves.GapS.draw(p.rng)
	if p.flowing(scale) {
		p.later(seconds(3), func() { p.quietGap(scale) })
		return
	}
	if !p.soon(seconds(s+5), func() { p.quietGap(scale) }) {
		return
	}
	p.silence(scale, s)
}

// gap silences a scale whether or not fluid runs.
func (p *play) gap(scale int) {
	s := p.d.Moves.GapS.draw(p.rng)
	if p.soon(seconds(s+5), func() { p.gap(scale) }) {
		p.silence(scale, s)
	}
}

func (p *play) silence(scale int, s float64) {
	p.say("scale %s silent for %.1f s", p.drawn.setup.Scales[scale].Sensor, s)
	p.scales[scale].silentUntil = p.now + seconds(s)
}

// restart stops the program and starts it again after a while.
func (p *play) restart() {
	s := p.d.Moves.RestartS.draw(p.rng)
	if !p.soon(seconds(s+5), p.restart) {
		return
	}
	p.say("program stopped for %.1f s", s)
	p.downUntil = p.now + seconds(s)
	for i := range p.scales {
		p.scales[i].silentUntil = p.downUntil
	}
	p.later(seconds(s), func() {
		p.do(fillcalc.Input{Do: fillcalc.DoStart, Setup: &p.drawn.setup})
		p.say("program started")
	})
}
