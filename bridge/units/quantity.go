package units

import (
	"fmt"
	"math"
	"regexp"
	"strings"
)

// Quantity is what an amount measures: one of a closed list. Its text is the SI unit that
// this program calculates in.
type Quantity string

const (
	OfVolume      Quantity = "L"
	OfTemperature Quantity = "°C"
	OfMass        Quantity = "kg"
	OfTorque      Quantity = "N·m"
)

// Example is an amount of the quantity with its unit, as somebody may write it.
func (q Quantity) Example() string {
	return map[Quantity]string{OfVolume: "4 qt", OfTemperature: "95 F", OfMass: "2 oz", OfTorque: "165 in-lb"}[q]
}

// Symbols lists the units in which an amount of the quantity may be written.
func (q Quantity) Symbols() string {
	switch q {
	case OfTemperature:
		return "C, F"
	case OfMass:
		return "kg, g, lb, oz"
	case OfTorque:
		return symbols(torqueUnits)
	}
	return symbols(volumeUnits)
}

// In converts an amount with its unit to the SI unit of the quantity. The error says what is
// accepted.
func (w Written) In(q Quantity) (si float64, err error) {
	switch q {
	case OfVolume:
		return w.Litres()
	case OfTemperature:
		return w.Celsius()
	case OfMass:
		return w.Kilograms()
	case OfTorque:
		return w.NewtonMetres()
	}
	return 0, fmt.Errorf("%.20q is no quantity", string(q))
}

// Unit is the unit in which a system prints an amount given in the SI unit.
func (p System) Unit(q Quantity, si float64) Unit {
	switch q {
	case OfTemperature:
		return p.TemperatureUnit()
	case OfMass:
		return p.MassUnit(si)
	case OfTorque:
		return p.TorqueUnit(si)
	}
	return p.VolumeUnit(si)
}

// EntryUnit is the unit of a number that somebody types without one.
func (p System) EntryUnit(q Quantity) Unit {
	if p == US && q == OfTorque {
		return p.TorqueUnit(0) // inch pounds, as for most pans
	}
	return p.Unit(q, math.Inf(1))
}

var barePattern = regexp.MustCompile(`^-?(?:[0-9]{1,6}(?:\.[0-9]{1,6})?|\.[0-9]{1,6})$`)

// Bare reports whether a text is a number without a unit, and returns it with a plain minus.
func Bare(text string) (number string, is bool) {
	number = plainMinus(strings.TrimSpace(text))
	return number, barePattern.MatchString(number)
}

// plainMinus replaces the minus of typography, which people copy from a screen.
func plainMinus(text string) string { return strings.Replace(text, "−", "-", 1) }
