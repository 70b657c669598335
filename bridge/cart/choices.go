package cart

import (
	"bytes"
	"math"

	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// choices is what the leaf choices was made from.
type choices struct {
	data      map[string]config.ServiceData // by name, as last read
	published []byte
}

// publishChoices publishes the leaf choices if it has changed.
func (c *Cart) publishChoices() {
	m := wire.Encode(wire.NewChoices(c.choiceFluids(), c.choiceServiceData()))
	if bytes.Equal(m, c.choices.published) {
		return
	}
	c.choices.published = m
	c.link.set(wire.ChoicesLeaf, m)
}

// choiceFluids lists the fluids that open knows. A configured one hides a measured one of
// its name, as in open.
func (c *Cart) choiceFluids() (list []wire.ChoiceFluid) {
	atC := *c.config.ReferenceC
	add := func(f fillcalc.Fluid, measured bool) {
		kgM3, err := f.Density(atC)
		if err != nil {
			kgM3 = math.NaN()
		}
		list = append(list, wire.ChoiceFluid{Name: f.Name, DensityKgM3: wire.Number(kgM3), AtC: wire.Number(atC), UPct: wire.Number(100 * f.DensityU), MeasuredHere: measured})
	}
	for _, f := range c.fluids {
		add(f, false)
	}
	for _, f := range c.state.Measured {
		if _, configured := c.fluids[f.Name]; !configured {
			add(f, true)
		}
	}
	return list
}

// choiceServiceData lists the shop's service data.
func (c *Cart) choiceServiceData() (list []wire.ChoiceServiceData) {
	given := func(figure float64) wire.Number {
		if figure == 0 {
			return wire.Number(math.NaN())
		}
		return wire.Number(figure)
	}
	for _, d := range c.choices.data {
		u := c.shop.Usual(d.Name)
		list = append(list, wire.ChoiceServiceData{
			Name: d.Name, Vehicle: d.Vehicle, Transmission: d.Transmission, Fluid: d.Fluid, Check: string(d.Check),
			LowC: wire.Number(d.Window.Low.C), HighC: wire.Number(d.Window.High.C),
			TypicalL: given(d.Typical.L), TotalL: given(d.Total.L), BottleL: given(d.Bottle.L), BoltTorqueNM: given(d.BoltTorque.NM),
			Jobs: u.Jobs, UsualOutL: wire.Number(u.OutL), UsualOutUL: wire.Number(u.OutUL), UsualTargetL: wire.Number(u.TargetL), UsualTargetUL: wire.Number(u.TargetU),
			LevelRightJobs: u.Right, LevelLowJobs: u.Low, LevelHighJobs: u.High,
		})
	}
	return list
}
