package cart

import (
	"math"
	"slices"

	"bayfill/bridge/build"
	"bayfill/bridge/recordkey"
	"bayfill/bridge/wire"
)

// about returns the message of the leaf about.
func (c *Cart) about() wire.About {
	a := wire.About{Program: "bayfill", Version: build.Version, Build: build.Current(), Contract: wire.ContractVersion,
		Leaves:   append(slices.Clone(wire.StateLeaves), wire.ReadingsLeaf),
		Measured: []wire.AboutFluid{}, Checks: wire.ChecksOf(&c.state),
		Units: "SI; the unit stands in each field's name; litres are at reference_c", ShopUnits: string(c.shopUnits),
		CaddyHoldsL: wire.Number(math.NaN()), RecordKey: recordkey.Public(c.recordKey)}
	if holdsL := c.config.Caddy.HoldsL; holdsL > 0 {
		a.CaddyHoldsL = wire.Number(holdsL)
	}
	for _, f := range c.state.Measured {
		a.Measured = append(a.Measured, wire.AboutFluid{Name: f.Name, DensityKgM3: wire.Number(f.DensityKgM3), AtC: wire.Number(f.AtC), UPct: wire.Number(100 * f.DensityU)})
	}
	for i := range c.config.Sensors {
		s := &c.config.Sensors[i]
		a.Sensors = append(a.Sensors, wire.AboutSensor{Name: s.Name, Role: s.Role, Quantity: s.Quantity().String(), Protocol: s.Protocol})
	}
	return a
}
