package bridgetest

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"

	"bayfill/bridge/clock"
	"bayfill/sim"
)

// OpenJob is a command that opens a job, as the JSON after the id.
const OpenJob = `"do":"open","job":"job-1","vehicle":"test van","used_fluid":"used","fluid":"fresh","low_c":35,"high_c":45`

// The fluids of the simulator. [ConfigText] configures the same ones.
var (
	UsedFluid  = sim.Fluid{Name: "used", Density15KgM3: 858, Viscosity40: 30, Viscosity100: 6.1}
	FreshFluid = sim.Fluid{Name: "fresh", Density15KgM3: 846, Viscosity40: 35, Viscosity100: 7.2}
)

// NewRig starts a simulated cart on pseudo-terminals that runs until the test ends. Its
// clock runs speed times as fast as real time.
func NewRig(t testing.TB, speed float64) *sim.Rig {
	t.Helper()
	return NewRigAt(t, speed, 1)
}

// NewRigAt is the same with instruments that send rate times as often as usual.
func NewRigAt(t testing.TB, speed, rate float64) *sim.Rig {
	t.Helper()
	p := sim.DefaultParams()
	p.Used, p.Fresh, p.FluidC = UsedFluid, FreshFluid, 30
	caddy, supply, probe := sim.DefaultScaleParams(), sim.DefaultScaleParams(), sim.DefaultProbeParams()
	supply.What = sim.OnSupply
	caddy.ReadsPerS *= rate
	supply.ReadsPerS *= rate
	probe.ReadsPerS *= rate
	clock := clock.New(0, speed)
	rig, err := sim.NewRig(sim.RigOptions{
		Cart: p, Dir: filepath.Join(t.TempDir(), "ports"), Elapsed: clock.Elapsed,
		Sensors: []sim.Sensor{
			{Name: "caddy", Scale: &caddy, Wire: &sim.SMAWire{Unit: "lb", Decimals: 3, Capacity: 66}},
			{Name: "supply", Scale: &supply, Wire: &sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 3}},
			{Name: "probe", Probe: &probe, Wire: &sim.LineWire{Shape: "temp", Unit: "F", Decimals: 1}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- rig.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("rig: %v", err)
		}
	})
	return rig
}

// ConfigText returns the configuration file of a cart on a rig.
func ConfigText(rig *sim.Rig, data, brokerURL, historyURL string) string {
	return fmt.Sprintf(`
shop: test
data: %s
broker: {url: %q}
readings: all
history: {url: %q, bucket: bayfill/autogen, between_jobs: all}
fluids:
  - {name: used, density_kg_m3: 858}
  - {name: fresh, density_kg_m3: 846}
carts:
  - name: cart
    caddy: {empty_kg: 2.4, holds_l: 12}
    sensors:
      - {name: caddy, role: caddy, port: %s, protocol: sma, repeat: true, capacity_kg: 30, resolution_kg: 0.005}
      - {name: supply, role: supply, port: %s, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}
      - {name: probe, role: transmission-temp, port: %s, protocol: line, pattern: temperature}
`, data, brokerURL, historyURL, rig.Port("caddy"), rig.Port("supply"), rig.Port("probe"))
}
