package fillcalc

import (
	"fmt"
	"slices"
)

func (in *Setup) check() error {
	if len(in.Scales) == 0 || len(in.Scales) > 2 {
		return fmt.Errorf("setup.scales: %d given, a cart has one or two", len(in.Scales))
	}
	for i, sc := range in.Scales {
		if sc.Load != CaddyLoad && sc.Load != SupplyLoad && sc.Load != BothLoad {
			return fmt.Errorf("setup.scales[%d].load: %q is not one of caddy, supply, caddy+supply", i, sc.Load)
		}
		if !(sc.ResolutionKg > 0) || !(sc.MaxFlowKgS > 0) || !(sc.RepeatabilityKg >= 0) || !(sc.GainU >= 0) {
			return fmt.Errorf("setup.scales[%d]: resolution_kg and max_flow_kg_s must be above zero, repeatability_kg and gain_u not below", i)
		}
		if sc.Calibration != nil {
			if err := sc.Calibration.Check(); err != nil {
				return fmt.Errorf("setup.scales[%d].calibration.%w", i, err)
			}
		}
	}
	for _, p := range []struct {
		field string
		ProbeSetup
	}{{"probe", in.Probe}, {"caddy_probe", in.CaddyProbe}, {"coolant", in.Coolant}} {
		if !(p.LagS >= 0 && p.LagS <= 300) {
			return fmt.Errorf("setup.%s.lag_s: %g is not from 0 to 300", p.field, p.LagS)
		}
		if p.Calibration != nil {
			if err := p.Calibration.Check(); err != nil {
				return fmt.Errorf("setup.%s.calibration.%w", p.field, err)
			}
		}
	}
	if !(in.AirKgM3 > 0.5 && in.AirKgM3 < 2) {
		return fmt.Errorf("setup.air_kg_m3: %g is not the density of air (about 1.2)", in.AirKgM3)
	}
	return nil
}

func (in *JobSpec) check(referenceC float64) error {
	if _, err := in.Used.Density(referenceC); err != nil {
		return fmt.Errorf("used_fluid: %w", err)
	}
	if _, err := in.Fresh.Density(referenceC); err != nil {
		return fmt.Errorf("fluid: %w", err)
	}
	if !(in.LowC < in.HighC) || in.LowC < -40 || in.HighC > 150 {
		return fmt.Errorf("window: low_c %g and high_c %g must rise and lie between -40 and 150", in.LowC, in.HighC)
	}
	if !(in.FirstFill > 0 && in.FirstFill <= 1) {
		return fmt.Errorf("first_fill: %g is not above 0 and at most 1", in.FirstFill)
	}
	if !(in.UsedSpreadU >= 0 && in.UsedSpreadU < 1) {
		return fmt.Errorf("used_spread_u: %g is not from 0 to 1", in.UsedSpreadU)
	}
	switch in.Check {
	case "", ByDipstick, ByOverflow:
	default:
		return fmt.Errorf("check: %q is not one of %s, %s", in.Check, ByDipstick, ByOverflow)
	}
	if in.AskedFluid != "" && in.AskedFluid != in.Fresh.Name && in.OtherFluid == "" {
		return fmt.Errorf("fluid: the service data ask for %s, this is %s: take the right one, or say why not in other_fluid", in.AskedFluid, in.Fresh.Name)
	}
	return in.checkFigures()
}

// checkFigures checks what comes from the service data; 0 is unknown.
func (in *JobSpec) checkFigures() error {
	for _, size := range []struct {
		field  string
		litres float64
	}{{"typical_l", in.TypicalL}, {"total_l", in.TotalL}, {"bottle_l", in.BottleL},
		{"between_marks_l", in.BetweenMarksL}, {"balance_band_l", in.BalanceBandL}} {
		if !(size.litres >= 0 && size.litres <= 1000) {
			return fmt.Errorf("%s: %g is not from 0 to 1000 litres", size.field, size.litres)
		}
	}
	if in.TypicalL > 0 && in.TotalL > 0 && in.TypicalL > in.TotalL {
		return fmt.Errorf("typical_l: %g is more than total_l %g: a refill is a part of the whole", in.TypicalL, in.TotalL)
	}
	if in.BottleL != 0 && in.BottleL < minBottleL {
		return fmt.Errorf("bottle_l: %g is less than %g: no bottle is so small", in.BottleL, minBottleL)
	}
	if !(in.EmptyBottleKg >= 0 && in.EmptyBottleKg <= 5) {
		return fmt.Errorf("empty_bottle_kg: %g is not from 0 to 5 kilograms", in.EmptyBottleKg)
	}
	if !(in.BoltTorqueNM >= 0 && in.BoltTorqueNM <= 1000) {
		return fmt.Errorf("bolt_torque_nm: %g is not from 0 to 1000", in.BoltTorqueNM)
	}
	for _, item := range in.Needs {
		if !slices.Contains(WorkItems(), item) {
			return fmt.Errorf("needs: %.40q is not an item of work", item)
		}
	}
	if err := CheckGears(in.Gears); err != nil {
		return fmt.Errorf("gears: %w", err)
	}
	return in.Usual.check()
}
