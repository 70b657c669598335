package fillcalc

import (
	"fmt"
	"slices"
	"strconv"
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
		return refused("used_fluid", "refuse.fluid_data", nil, names{"fluid": in.Used.Name})
	}
	if _, err := in.Fresh.Density(referenceC); err != nil {
		return refused("fluid", "refuse.fluid_data", nil, names{"fluid": in.Fresh.Name})
	}
	for _, end := range []struct {
		field   string
		celsius float64
	}{{"low_c", in.LowC}, {"high_c", in.HighC}} {
		if !(end.celsius >= -40 && end.celsius <= 150) {
			return Outside(end.field, "c", Span{Low: -40, High: 150}, numberText(end.celsius))
		}
	}
	if in.LowC >= in.HighC {
		return refused("low_c", "refuse.window_reversed", figures{"low_c": in.LowC, "high_c": in.HighC}, nil)
	}
	if !(in.FirstFill > 0 && in.FirstFill <= 1) {
		return Outside("first_fill", "", Span{High: 1, Above: true}, numberText(in.FirstFill))
	}
	if !(in.UsedSpreadU >= 0 && in.UsedSpreadU < 1) {
		return fmt.Errorf("used_spread_u: %g is not from 0 to 1", in.UsedSpreadU)
	}
	switch in.Check {
	case "", ByDipstick, ByOverflow:
	default:
		return notOneOf("check", in.Check, ByDipstick, ByOverflow)
	}
	if in.AskedFluid != "" && in.AskedFluid != in.Fresh.Name && in.OtherFluid == "" {
		return refused("fluid", "refuse.other_fluid", nil, names{"asked": in.AskedFluid, "fluid": in.Fresh.Name})
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
			return Outside(size.field, "l", Span{High: 1000}, numberText(size.litres))
		}
	}
	if in.TypicalL > 0 && in.TotalL > 0 && in.TypicalL > in.TotalL {
		return refused("typical_l", "refuse.typical_total", figures{"typical_l": in.TypicalL, "total_l": in.TotalL}, nil)
	}
	if in.BottleL != 0 && in.BottleL < minBottleL {
		return refused("bottle_l", "refuse.bottle_size", figures{"least_l": minBottleL}, nil)
	}
	if !(in.EmptyBottleKg >= 0 && in.EmptyBottleKg <= 5) {
		return Outside("empty_bottle_kg", "kg", Span{High: 5}, numberText(in.EmptyBottleKg))
	}
	if !(in.BoltTorqueNM >= 0 && in.BoltTorqueNM <= 1000) {
		return Outside("bolt_torque_nm", "nm", Span{High: 1000}, numberText(in.BoltTorqueNM))
	}
	for _, item := range in.Needs {
		if !slices.Contains(WorkItems(), item) {
			return notOneOf("needs", item, WorkItems()...)
		}
	}
	if CheckGears(in.Gears) != nil {
		return refused("gears", "refuse.gears", nil, names{"typed": in.Gears})
	}
	if in.Passes < 0 || in.Passes > MaxPasses {
		return Outside("passes", "", Span{Low: 1, High: MaxPasses}, strconv.Itoa(in.Passes))
	}
	return in.Usual.check()
}
