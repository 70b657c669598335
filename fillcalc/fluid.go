package fillcalc

import (
	"fmt"
	"math"
)

// DensityModel names how a fluid's density depends on its temperature. A name is a
// promise to the auditor: the arithmetic behind it never changes. Another
// arithmetic gets another name.
type DensityModel string

const (
	Oil1980       DensityModel = "oil-1980" // ASTM D1250-80, Table 54D, base 15 °C
	Oil2004       DensityModel = "oil-2004" // API MPMS 11.1-2004, lubricating oils, base 60 °F
	DensityPoints DensityModel = "points"   // straight lines between measured points
)

// Fluid holds what is needed to convert a fluid's mass into volume.
type Fluid struct {
	Name  string       `json:"name"`
	Model DensityModel `json:"model"`
	// DensityKgM3 is the density at AtC, from the data sheet. Sheets quote 15, 15.6
	// (60 °F) or 20 °C. The points model uses neither.
	DensityKgM3 float64        `json:"density_kg_m3,omitempty"`
	AtC         float64        `json:"at_c,omitempty"`
	Points      []DensityPoint `json:"points,omitempty"` // of the points model, in rising order of temperature
	// DensityU is the relative standard uncertainty of the density.
	DensityU float64 `json:"density_u"`
}

// DensityPoint is one measured density.
type DensityPoint struct {
	C    float64 `json:"c"`
	KgM3 float64 `json:"kg_m3"`
}

// Density returns the fluid's density in kg/m³ at a temperature in °C. Outside the
// model's range it returns an error that names the limit.
func (f Fluid) Density(celsius float64) (kgM3 float64, err error) {
	switch f.Model {
	case Oil1980:
		base, err := solveBase(f.DensityKgM3, func(base float64) (float64, error) { return oil1980(base, f.AtC) })
		if err != nil {
			return 0, fmt.Errorf("fluid %q: %w", f.Name, err)
		}
		kgM3, err = oil1980(base, celsius)
		if err != nil {
			return 0, fmt.Errorf("fluid %q: %w", f.Name, err)
		}
	case Oil2004:
		base, err := solveBase(f.DensityKgM3, func(base float64) (float64, error) { return oil2004(base, f.AtC) })
		if err != nil {
			return 0, fmt.Errorf("fluid %q: %w", f.Name, err)
		}
		kgM3, err = oil2004(base, celsius)
		if err != nil {
			return 0, fmt.Errorf("fluid %q: %w", f.Name, err)
		}
	case DensityPoints:
		kgM3, err = interpolate(f.Points, celsius)
		if err != nil {
			return 0, fmt.Errorf("fluid %q: %w", f.Name, err)
		}
	default:
		return 0, fmt.Errorf("fluid %q: density model %q is not one of %s, %s, %s",
			f.Name, f.Model, Oil1980, Oil2004, DensityPoints)
	}
	return kgM3, nil
}

// solveBase finds the base density that gives the quoted density at the data
// sheet's temperature. The correction changes by a few parts in a thousand for a
// change of a few percent in density, so that each round gains more than two
// digits. Eight rounds reach the last bit from any start; a round that changes
// nothing ends the search.
func solveBase(quoted float64, at func(base float64) (float64, error)) (base float64, err error) {
	base = quoted
	for range 8 {
		d, err := at(base)
		if err != nil {
			return 0, err
		}
		next := base * (quoted / d)
		if next == base {
			break
		}
		base = next
	}
	return base, nil
}

// oil1980 returns the density at a temperature from the density at 15 °C: ASTM
// D1250-80 / API MPMS 11.1 Volume XIV, Table 54D, without the printed table's
// rounding. The density range is the table's. The temperature range is from
// memory, not checked against the text.
func oil1980(base15KgM3, celsius float64) (kgM3 float64, err error) {
	// The range is slightly wider, so that the rounded limit of a data sheet converts.
	if !(799.9 <= base15KgM3 && base15KgM3 <= 1164.1) {
		return 0, fmt.Errorf("density at 15 °C is %.1f kg/m³: the lubricating oil table of 1980 holds from 800 to 1164", base15KgM3)
	}
	if !(-20 <= celsius && celsius <= 150) {
		return 0, fmt.Errorf("temperature is %.1f °C: the lubricating oil table of 1980 holds from -20 to 150", celsius)
	}
	const k1 = 0.6278
	x := float64(k1/base15KgM3) * (celsius - 15)
	return base15KgM3 * Exp(-float64(x*(1+float64(0.8*x)))), nil
}

// its90Shift holds the coefficients with which API MPMS 11.1-2004 converts a
// temperature from the scale of 1990 to that of 1968.
var its90Shift = [...]float64{-0.148759, -0.267408, 1.080760, 1.269056,
	-4.089591, -1.871251, 7.438081, -3.536296}

// oil2004 returns the density at a temperature from the density at 60 °F: API MPMS
// 11.1-2004, 11.1.6.1, lubricating oils, at atmospheric pressure, without the
// rounding of inputs and results that 11.1.5 prescribes for printed values.
func oil2004(base60FKgM3, celsius float64) (kgM3 float64, err error) {
	if !(800.9 <= base60FKgM3 && base60FKgM3 <= 1163.5) {
		return 0, fmt.Errorf("density at 60 °F is %.1f kg/m³: the lubricating oil procedure of 2004 holds from 800.9 to 1163.5", base60FKgM3)
	}
	if !(-50 <= celsius && celsius <= 150) {
		return 0, fmt.Errorf("temperature is %.1f °C: the lubricating oil procedure of 2004 holds from -50 to 150", celsius)
	}
	tau := celsius / 630
	shift := 0.0
	for i := len(its90Shift) - 1; i >= 0; i-- {
		shift = float64((shift + its90Shift[i]) * tau)
	}
	const (
		k1  = 0.34878
		d60 = 0.01374979547 // °F; twice the step from 60 °F of 1990 to the scale of 1968
	)
	dt := float64(1.8*(celsius-shift)) + 32 - 60.0068749
	// The base density at 60 °F of the old scale. For lubricating oils K0 and K2 are
	// zero, which reduces the general form with three constants to this one.
	a := d60 / 2 * (k1 / base60FKgM3)
	moved := base60FKgM3 * (1 + (Exp(float64(a*(1+float64(0.8*a))))-1)/(1+float64(a*(1+float64(1.6*a)))))
	alpha := k1 / moved
	if !(230e-6 <= alpha && alpha <= 930e-6) {
		return 0, fmt.Errorf("thermal expansion of %.1f kg/m³ at 60 °F is outside the procedure of 2004", base60FKgM3)
	}
	x := float64(alpha * dt)
	return base60FKgM3 * Exp(-float64(x*(1+float64(float64(0.8*alpha)*(dt+d60))))), nil
}

// interpolate returns the density on the straight line between two measured
// points. It does not extrapolate.
func interpolate(points []DensityPoint, celsius float64) (kgM3 float64, err error) {
	if len(points) < 2 {
		return 0, fmt.Errorf("points: %d given, at least 2 are needed", len(points))
	}
	for i, p := range points {
		if !(p.KgM3 > 0) || math.IsInf(p.KgM3, 0) || i > 0 && !(p.C > points[i-1].C) {
			return 0, fmt.Errorf("points: entry %d must have a density above zero and a higher temperature than the one before", i+1)
		}
	}
	first, last := points[0], points[len(points)-1]
	if !(first.C <= celsius && celsius <= last.C) {
		return 0, fmt.Errorf("temperature is %.1f °C: the measured points reach from %.1f to %.1f", celsius, first.C, last.C)
	}
	i := 1
	for celsius > points[i].C {
		i++
	}
	a, b := points[i-1], points[i]
	return a.KgM3 + float64((b.KgM3-a.KgM3)*((celsius-a.C)/(b.C-a.C))), nil
}
