package main

import (
	"fmt"
	"time"

	"bayfill/bridge/build"
	"bayfill/bridge/config"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// Calibrations of the simulated instruments, made on a bench before the demo begins.
const (
	calibrationDays = 365
	weightsU        = 0.00005 // of class M1: 250 mg in 5 kg (OIML R 111-1, table 1; from memory)
	iceUC           = 0.05    // crushed ice with water (common practice, no source)
)

// weightsKg are the loads that a scale is compared with.
var weightsKg = []float64{0, 5, 10, 20}

// calibrateBench calibrates every instrument of the workshop some weeks before a time. caddy
// says what is different with the caddy's scale, as in --with.
func calibrateBench(conf *config.Config, at time.Time, caddy string) error {
	for _, s := range instruments(shopFloor{}) {
		made := at.AddDate(0, 0, -40)
		switch {
		case s.Name != "caddy-scale":
		case caddy == withUncalibrated:
			continue
		case caddy == withOverdue:
			made = at.AddDate(0, 0, -calibrationDays-35)
		}
		record := config.Calibration{
			At: made.UTC().Format(time.RFC3339), Cart: demoCart, Sensor: s.Name, By: demoUser, Equipment: "simulated bench", Version: build.Version,
		}
		atNs, dueNs := made.UnixNano(), made.AddDate(0, 0, calibrationDays).UnixNano()
		if s.Scale != nil {
			setup := fillcalc.ScaleSetup{ResolutionKg: s.Scale.ResolutionKg, RepeatabilityKg: s.Scale.ResolutionKg / 2}
			fit, err := fillcalc.FitScale(weighWeights(*s.Scale), setup, weightsU, atNs, dueNs)
			if err != nil {
				return fmt.Errorf("calibrate %s: %w", s.Name, err)
			}
			record.WeightsUPct, record.Scale = 100*weightsU, &fit
		} else {
			fit, err := fillcalc.FitProbe(dipInIce(*s.Probe), atNs, dueNs)
			if err != nil {
				return fmt.Errorf("calibrate %s: %w", s.Name, err)
			}
			record.Probe = &fit
		}
		if err := config.AppendCalibration(conf.CalibrationPath(demoCart, s.Name), record); err != nil {
			return err
		}
	}
	return nil
}

// weighWeights is what a scale shows under known weights, above its empty container.
func weighWeights(p sim.ScaleParams) (points []fillcalc.ScalePoint) {
	for _, kg := range weightsKg {
		cart := sim.NewCart(sim.DefaultParams())
		scale := sim.NewScale(p, 1)
		tareKg := cart.LoadKg(p.What)
		cart.LayOnCaddy(kg)
		cart.LayOnSupply(kg)
		shown := meanAfter(cart, scale, p.ReadsPerS, func(s sim.Sample) float64 { return s.Kg })
		points = append(points, fillcalc.ScalePoint{KnownKg: kg, ShownKg: shown - tareKg})
	}
	return points
}

// dipInIce is what a probe shows in melting ice.
func dipInIce(p sim.ProbeParams) []fillcalc.ProbePoint {
	cold := sim.DefaultParams()
	cold.AmbientC, cold.FluidC = 0, 0
	shown := meanAfter(sim.NewCart(cold), sim.NewProbe(p, 1), p.ReadsPerS, func(s sim.Sample) float64 { return s.Celsius })
	return []fillcalc.ProbePoint{{KnownC: 0, ShownC: shown, UC: iceUC}}
}

// meanAfter is the mean of ten seconds of readings after half a minute.
func meanAfter(cart *sim.Cart, instrument interface {
	Advance(*sim.Cart, time.Duration)
	Read() sim.Sample
}, readsPerS float64, value func(sim.Sample) float64) float64 {
	every := time.Duration(float64(time.Second) / readsPerS)
	sum, n := 0.0, 0.0
	for at := every; at < 40*time.Second; at += every {
		cart.Step(every)
		instrument.Advance(cart, every)
		if sample := instrument.Read(); at > 30*time.Second {
			sum += value(sample)
			n++
		}
	}
	return sum / n
}
