package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"bayfill/fillcalc"
)

// System is the set of units in which a shop reads amounts. It changes nothing but
// texts for people.
type System string

const (
	Metric   System = "metric"   // L, °C, kg, N·m
	US       System = "us"       // quarts, °F, pounds, inch and foot pounds
	Imperial System = "imperial" // imperial pints, °C, pounds, foot pounds (common practice, no source)
)

// Systems lists all systems.
var Systems = []System{Metric, US, Imperial}

// ParseSystem reads metric, us or imperial; an empty text means metric.
func ParseSystem(text string) (System, error) {
	switch p := System(text); p {
	case "":
		return Metric, nil
	case Metric, US, Imperial:
		return p, nil
	}
	return "", fmt.Errorf("%.40q is not one of %s, %s, %s", text, Metric, US, Imperial)
}

// Unit is a unit in which amounts are printed.
type Unit struct {
	Symbol   string
	si, zero float64 // an amount in SI units is its number of units times si, plus zero
	decimals int     // as fine as the amounts are known and a hand can pour
}

// Of returns how many units an amount in SI units is.
func (u Unit) Of(si float64) float64 { return (si - u.zero) / u.si }

// Digits prints an amount in SI units without its unit; a dash when it is unknown.
func (u Unit) Digits(si float64) string {
	if math.IsNaN(si) {
		return "–"
	}
	decimals, value := u.decimals, u.Of(si)
	if decimals > 1 && math.Abs(value) >= 9.995 {
		decimals = 1
	}
	scale := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(value*scale)/scale+0, 'f', decimals, 64) // no -0.00
}

// Text prints an amount in SI units with its unit.
func (u Unit) Text(si float64) string { return u.Digits(si) + " " + u.Symbol }

// Exact prints the digits of an amount that is no measurement, without zeros that say nothing.
func (u Unit) Exact(si float64) string {
	digits := u.Digits(si)
	if strings.Contains(digits, ".") {
		digits = strings.TrimRight(strings.TrimRight(digits, "0"), ".")
	}
	return digits
}

// VolumeUnit is the unit for a volume given in litres: less than a quarter of the large unit is
// printed in the small one.
func (p System) VolumeUnit(l float64) Unit {
	large, small := Unit{"L", 1, 0, 2}, Unit{"mL", 0.001, 0, 0}
	switch p {
	case US:
		large, small = Unit{"qt", fillcalc.LitresPerUSQuart, 0, 2}, Unit{"fl oz", fillcalc.LitresPerUSFluidOunce, 0, 1}
	case Imperial:
		large, small = Unit{"pt imp", fillcalc.LitresPerImperialPint, 0, 2}, Unit{"fl oz imp", fillcalc.LitresPerImperialFluidOunce, 0, 1}
	}
	if math.Abs(l) < large.si/4 {
		return small
	}
	return large
}

// LargeVolumeUnit is the unit for volumes that stand beside each other, such as in a table
// or on an axis.
func (p System) LargeVolumeUnit() Unit { return p.VolumeUnit(math.Inf(1)) }

// FlowUnit is the unit for a flow given in litres a minute.
func (p System) FlowUnit() Unit {
	u := p.LargeVolumeUnit()
	u.Symbol, u.decimals = u.Symbol+"/min", 1
	return u
}

// MassUnit is the unit for a weight given in kilograms.
func (p System) MassUnit(kg float64) Unit {
	large, small := Unit{"kg", 1, 0, 2}, Unit{"g", 0.001, 0, 0}
	if p != Metric {
		large, small = Unit{"lb", 0.45359237, 0, 2}, Unit{"oz", 0.028349523125, 0, 1}
	}
	if math.Abs(kg) < large.si/4 {
		return small
	}
	return large
}

// TemperatureUnit is the unit for a temperature given in °C.
func (p System) TemperatureUnit() Unit {
	if p == US {
		return Unit{"°F", 5.0 / 9, -160.0 / 9, 0}
	}
	return Unit{"°C", 1, 0, 1}
}

// minFootPounds is where tools change from inch to foot pounds (common practice, no
// source).
const minFootPounds = 20

// TorqueUnit is the unit for a torque given in newton metres.
func (p System) TorqueUnit(nm float64) Unit {
	switch {
	case p == US && nm < minFootPounds*fillcalc.NewtonMetresPerPoundFoot:
		return Unit{"in-lb", fillcalc.NewtonMetresPerPoundInch, 0, 0}
	case p == US || p == Imperial:
		return Unit{"ft-lb", fillcalc.NewtonMetresPerPoundFoot, 0, 1}
	}
	return Unit{"N·m", 1, 0, 1}
}

// Volume prints a volume given in litres.
func (p System) Volume(l float64) string { return p.VolumeUnit(l).Text(l) }

// Mass prints a weight given in kilograms.
func (p System) Mass(kg float64) string { return p.MassUnit(kg).Text(kg) }

// Torque prints a torque given in newton metres.
func (p System) Torque(nm float64) string { return p.TorqueUnit(nm).Text(nm) }

// Temperature prints one temperature given in °C, or a range from one to another.
func (p System) Temperature(c ...float64) string {
	u := p.TemperatureUnit()
	var values []string
	for _, c := range c {
		values = append(values, u.Exact(c))
	}
	return strings.Join(values, " to ") + " " + u.Symbol
}
