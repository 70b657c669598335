package study

import "math"

// The fresh fluid comes in bottles that stand on the supply's scale.

// bottlesBrought at a time; minBottlesBroughtKg is less than they weigh and more than
// one of them.
const (
	bottlesBrought      = 6
	minBottlesBroughtKg = 1.2
)

func (p *play) pouredFromBottles() bool { return p.drawn.cart.BottleTareKg > 0 }

func (p *play) bringBottles() {
	p.say("%d bottles brought", bottlesBrought)
	p.cart.BringBottles(bottlesBrought, p.d.Cart.BottleL*p.drawn.cart.Fresh.DensityKgM3(referenceC)/1000)
}

// pourBottle takes a bottle off, pours from it, and puts it back or throws it away.
func (p *play) pourBottle(kgS, s float64) {
	kg := p.cart.TakeBottle()
	p.say("bottle with %.3f kg taken, poured at %.3f kg/s", kg, kgS)
	p.moved(kindBottleTaken, p.supplyScale(), 1)
	p.pass(seconds(1.5))
	p.cart.StartPour(kgS)
	p.pass(seconds(math.Min(s, kg/kgS+0.3)))
	p.cart.StopPour()
	p.pass(seconds(1))
	if p.cart.BottleEmpty() && chance(p.place, p.d.Cart.ThrownShare) {
		p.say("empty bottle thrown away")
		p.cart.ThrowBottleAway()
		return
	}
	p.say("bottle put back")
	p.cart.PutBottleBack()
	p.moved(kindBottleBack, p.supplyScale(), 1)
}
