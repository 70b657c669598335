package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"bayfill/sim"
)

// The invented workshop that demo and sim share: one cart with two scales and
// two probes, and two fluids.
const (
	demoShop = "hilltop"
	demoCart = "bay2"
	demoUser = "technician"
)

var (
	demoUsed  = sim.Fluid{Name: "amber 6 used", Density15KgM3: 858, Viscosity40: 30, Viscosity100: 6.1}
	demoFresh = sim.Fluid{Name: "amber 6", Density15KgM3: 846, Viscosity40: 35, Viscosity100: 7.2}
)

// shopFloor is what may differ in the workshop. The zero value is a quiet bay with a canister of
// fresh fluid.
type shopFloor struct {
	windG   float64 // slow wind on both scales
	bottles bool    // the fresh fluid comes in bottles of a quart
}

const (
	quartKg      = 0.8 // of fresh fluid
	emptyQuartKg = 0.056
	quartsAtOnce = 6
)

// workshop builds the simulated cart with its ports in the folder dir, or in memory when dir
// is empty.
func workshop(dir string, seed uint64, elapsed func() time.Duration, in shopFloor) (*sim.Rig, error) {
	cart := sim.DefaultParams()
	cart.Seed = seed
	cart.Used, cart.Fresh = demoUsed, demoFresh
	cart.AmbientC, cart.FluidC = 19, 29 // the vehicle stood over lunch
	if in.bottles {
		cart.SupplyKg, cart.SupplyTareKg, cart.BottleTareKg = 0, 0, emptyQuartKg
	}
	return sim.NewRig(sim.RigOptions{Cart: cart, Dir: dir, Elapsed: elapsed, Sensors: instruments(in)})
}

// instruments are those on the cart.
func instruments(in shopFloor) []sim.Sensor {
	caddy, supply := sim.DefaultScaleParams(), sim.DefaultScaleParams()
	supply.What = sim.OnSupply
	caddy.WindKg, supply.WindKg = in.windG/1000, in.windG/1000
	inTransmission, inCaddy := sim.DefaultProbeParams(), sim.DefaultProbeParams()
	inCaddy.Where = sim.InCaddy
	return []sim.Sensor{
		{Name: "caddy-scale", Scale: &caddy, Wire: &sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 3}},
		{Name: "supply-scale", Scale: &supply, Wire: &sim.SMAWire{Unit: "kg", Decimals: 3, Capacity: 30}},
		{Name: "fluid-probe", Probe: &inTransmission, Wire: &sim.LineWire{Shape: "temp", Unit: "C", Decimals: 1}},
		{Name: "caddy-probe", Probe: &inCaddy, Wire: &sim.LineWire{Shape: "temp", Unit: "C", Decimals: 1}},
	}
}

// configName is the file name of a configuration.
const configName = "bayfill.yaml"

// portsFolder is where the ports are below the folder of a simulated cart.
func portsFolder(dir string) string { return filepath.Join(dir, "ports") }

// cartNames are the carts of a workshop.
func cartNames(n int) []string {
	names := []string{demoCart}
	for i := 1; i < n; i++ {
		names = append(names, fmt.Sprintf("bay%d", i+2))
	}
	return names
}

// cartPorts is the folder with the ports of a cart.
func cartPorts(dir string, cart int) string {
	if cart == 0 {
		return portsFolder(dir)
	}
	return filepath.Join(portsFolder(dir), cartNames(cart + 1)[cart])
}

// workshopConfig is the text of the configuration file for a workshop in a folder. broker
// and history are whole sections of it, or empty.
func workshopConfig(dir, broker, history string, carts int) string {
	var b strings.Builder
	fmt.Fprintf(&b, `# Written for the simulated cart; a real one looks the same.
shop: %s
data: %s
%s%sfluids:
  - name: %s
    density_kg_m3: %g   # at 15 °C, from the data sheet
  - name: %s
    density_kg_m3: %g
carts:
`, demoShop, filepath.Join(dir, "data"), broker, history,
		demoUsed.Name, demoUsed.Density15KgM3, demoFresh.Name, demoFresh.Density15KgM3)
	for i, name := range cartNames(carts) {
		port := func(sensor string) string { return filepath.Join(cartPorts(dir, i), sensor) }
		fmt.Fprintf(&b, `  - name: %s
    caddy: {empty_kg: 2.4, holds_l: 12}
    sensors:
      - name: caddy-scale
        role: caddy
        port: %s
        protocol: line
        pattern: status-kind-value-unit
        capacity_kg: 30
        resolution_kg: 0.005
      - name: supply-scale
        role: supply
        port: %s
        protocol: sma
        repeat: true
        capacity_kg: 30
        resolution_kg: 0.005
      - name: fluid-probe
        role: transmission-temp
        port: %s
        protocol: line
        pattern: temperature
      - name: caddy-probe
        role: caddy-temp
        port: %s
        protocol: line
        pattern: temperature
`, name, port("caddy-scale"), port("supply-scale"), port("fluid-probe"), port("caddy-probe"))
	}
	return b.String()
}

// passwordPath is the file with the technician's password.
func passwordPath(dir string) string { return filepath.Join(dir, "technician.password") }

// embeddedBroker is the broker section of a configuration with one user, whose password
// it writes to a file of its own.
func embeddedBroker(dir, listen, password string) (string, error) {
	file := passwordPath(dir)
	if err := os.WriteFile(file, []byte(password+"\n"), 0o600); err != nil {
		return "", err
	}
	return fmt.Sprintf(`broker:
  listen: %s
  users:
    - name: %s
      password: {file: %s}
      may: [read, command]
`, listen, demoUser, file), nil
}
