package config

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/clock"
	"bayfill/sensors"
	"bayfill/sim"
)

// Every protocol and variant that the simulator speaks is read by a driver made from a
// configuration, and must give the simulated truth. Simulator and drivers share only the
// bytes on a pseudo-terminal; each was written from the protocol's description.
func TestEveryProtocolAgainstTheSimulator(t *testing.T) {
	scale := func(wire sim.Wire) sim.Sensor {
		p := sim.DefaultScaleParams()
		p.NoiseKg, p.ResolutionKg, p.ReadsPerS = 0, 0.0001, 20
		return sim.Sensor{Scale: &p, Wire: wire}
	}
	probe := func(wire sim.Wire) sim.Sensor {
		p := sim.DefaultProbeParams()
		p.NoiseC, p.ResolutionC, p.ReadsPerS = 0, 0.01, 20
		return sim.Sensor{Probe: &p, Wire: wire}
	}
	type variant struct {
		config string
		sensor sim.Sensor
	}
	variants := []variant{
		{"protocol: sma, unit: kg", scale(&sim.SMAWire{Unit: "kg", Decimals: 4})},
		{"protocol: sma, repeat: true", scale(&sim.SMAWire{Unit: "lb", Decimals: 3})},
		{"protocol: sma, repeat: true, unit: oz", scale(&sim.SMAWire{Unit: "oz", Decimals: 2})},
		{"protocol: sma", scale(&sim.SMAWire{Unit: "g", Decimals: 1})},
		{"protocol: line, pattern: status-kind-value-unit", scale(&sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 4})},
		{"protocol: line, pattern: status-kind-value-unit, unit: lb", scale(&sim.LineWire{Shape: "status-kind-value-unit", Unit: "lb", Decimals: 3})},
		{"protocol: line, pattern: value-unit", scale(&sim.LineWire{Shape: "value-unit", Unit: "g", Decimals: 1})},
		{"protocol: line, pattern: value, unit: kg", scale(&sim.LineWire{Shape: "value", Unit: "kg", Decimals: 4})},
		{"protocol: line, pattern: counts, kg_per_count: 0.00001, counts_at_zero: 4000",
			scale(&sim.LineWire{Shape: "counts", CountsPerKg: 100000, CountsZero: 4000})},
		{"protocol: line, pattern: temperature", probe(&sim.LineWire{Shape: "temp", Unit: "C", Decimals: 2})},
		{"protocol: line, pattern: temperature", probe(&sim.LineWire{Shape: "temp", Unit: "F", Decimals: 2})},
		{"protocol: scpi, unit: C, poll_ms: 50", probe(&sim.SCPIWire{})},
		{"protocol: modbus, unit_id: 7, registers: input, register: 4, type: int16, exponent: -2, unit: C, poll_ms: 50",
			probe(&sim.ModbusWire{Unit: 7, Function: 4, Address: 4, Type: "int16", Order: "ABCD", Scale: 0.01})},
	}
	for _, order := range []string{"ABCD", "CDAB", "BADC", "DCBA"} {
		variants = append(variants,
			variant{fmt.Sprintf("protocol: modbus, unit_id: 1, register: 100, type: float32, order: %s, unit: kg, poll_ms: 50", order),
				scale(&sim.ModbusWire{Unit: 1, Function: 3, Address: 100, Type: "float32", Order: order})},
			variant{fmt.Sprintf("protocol: modbus, unit_id: 1, type: int32, order: %s, unit: g, exponent: -1, poll_ms: 50", order),
				scale(&sim.ModbusWire{Unit: 1, Function: 3, Type: "int32", Order: order, Scale: 0.0001})})
	}

	options := sim.RigOptions{Cart: sim.DefaultParams(), Dir: filepath.Join(t.TempDir(), "ports")}
	for i := range variants {
		variants[i].sensor.Name = fmt.Sprintf("s%d", i)
		options.Sensors = append(options.Sensors, variants[i].sensor)
	}
	rig, err := sim.NewRig(options)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { rig.Run(ctx) })
	defer running.Wait()
	defer stop()

	for i, v := range variants {
		t.Run(v.config, func(t *testing.T) {
			role, quantity := "caddy", sensors.Weight
			if v.sensor.Probe != nil {
				role, quantity = "transmission-temp", sensors.Temperature
			}
			text := fmt.Sprintf("shop: test\ndata: x\ncarts:\n  - name: cart\n    sensors:\n"+
				"      - {name: s, role: %s, port: %s, capacity_kg: 30, resolution_kg: 0.0001, %s}\n", role, rig.Port(fmt.Sprintf("s%d", i)), v.config)
			if role != "caddy" {
				text += "      - {name: other, role: caddy, port: x, capacity_kg: 30, resolution_kg: 0.005, protocol: sma}\n"
			}
			config, err := Parse([]byte(text))
			if err != nil {
				t.Fatal(err)
			}
			s, err := config.Carts[0].Sensors[0].Driver(clock.New(0, 1))
			if err != nil {
				t.Fatal(err)
			}
			got := make(chan sensors.Reading, 1)
			ctx, stop := context.WithTimeout(ctx, 10*time.Second)
			defer stop()
			s.Run(ctx, func(r sensors.Reading, err error) {
				if err != nil {
					t.Errorf("a frame was not understood: %v", err)
				}
				select {
				case got <- r:
					stop()
				default:
				}
			}, func(sensors.Status) {})
			if len(got) == 0 {
				t.Fatal("no reading arrived")
			}
			r := <-got
			truth := rig.Truth()
			// The caddy's scale carries the container and a rest of fluid, with air buoyancy.
			want, tolerance := options.Cart.CaddyTareKg+truth.CaddyKg, 0.003
			if quantity == sensors.Temperature {
				want, tolerance = truth.FluidC, 0.3
			}
			if r.Quantity != quantity || r.Faults != 0 || math.Abs(r.Value-want) > tolerance {
				t.Errorf("read %+v, the truth is %.4f", r, want)
			}
		})
	}
}

// At a wrong speed bytes arrive but no frame. The status says so and is not silent.
func TestWrongSpeedIsNonsense(t *testing.T) {
	p := sim.DefaultScaleParams()
	rig, err := sim.NewRig(sim.RigOptions{Cart: sim.DefaultParams(), Dir: filepath.Join(t.TempDir(), "ports"),
		Sensors: []sim.Sensor{{Name: "s", Scale: &p, Wire: &sim.LineWire{Shape: "value-unit", Unit: "kg", Decimals: 3}, Line: sim.LineSettings{Baud: 4800}}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(context.Background(), 20*time.Second)
	var running sync.WaitGroup
	running.Go(func() { rig.Run(ctx) })
	defer running.Wait()
	defer stop()
	s := Sensor{Name: "s", Role: "caddy", Port: rig.Port("s"), Line: "9600 8N1", Protocol: "line", Pattern: "value-unit",
		CapacityKg: 30, PollMs: 100, SilentAfterS: 1}
	d, err := s.Driver(clock.New(0, 1))
	if err != nil {
		t.Fatal(err)
	}
	var last sensors.Status
	d.Run(ctx, func(r sensors.Reading, err error) {
		if err == nil {
			t.Errorf("a wrong speed gave the reading %+v", r)
		}
	}, func(s sensors.Status) {
		if last = s; s.Condition == sensors.Nonsense {
			stop()
		}
	})
	if last.Condition != sensors.Nonsense || !strings.Contains(last.Text(sensors.TimeOfDay), "bytes arrived and no good frame") {
		t.Errorf("the status is %+v", last)
	}
}
