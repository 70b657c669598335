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
	Metric   System = "metric"   // L, °C, N·m
	US       System = "us"       // quarts, °F, inch and foot pounds
	Imperial System = "imperial" // imperial pints, °C, foot pounds (common practice, no source)
)

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

// Volume prints a volume given in litres, in the small unit when it is less than one
// of the large.
func (p System) Volume(l float64) string {
	large, small := unit{"L", 1}, unit{"mL", 0.001}
	switch p {
	case US:
		large, small = unit{"qt", fillcalc.LitresPerUSQuart}, unit{"fl oz", fillcalc.LitresPerUSFluidOunce}
	case Imperial:
		large, small = unit{"pt imp", fillcalc.LitresPerImperialPint}, unit{"fl oz imp", fillcalc.LitresPerImperialFluidOunce}
	}
	if l >= large.si {
		return shortest(l/large.si, 2) + " " + large.symbol
	}
	return shortest(l/small.si, 1) + " " + small.symbol
}

// Mass prints a weight given in kilograms, in the small unit when it is less than one
// of the large.
func (p System) Mass(kg float64) string {
	large, small := unit{"kg", 1}, unit{"g", 0.001}
	if p != Metric {
		large, small = unit{"lb", 0.45359237}, unit{"oz", 0.028349523125}
	}
	if kg >= large.si {
		return shortest(kg/large.si, 2) + " " + large.symbol
	}
	return shortest(kg/small.si, 1) + " " + small.symbol
}

// Temperature prints one temperature given in °C, or a range from one to another.
func (p System) Temperature(c ...float64) string {
	symbol := " °C"
	var values []string
	for _, c := range c {
		if p == US {
			c, symbol = c*1.8+32, " °F"
		}
		values = append(values, shortest(c, 1))
	}
	return strings.Join(values, " to ") + symbol
}

// minFootPounds is where tools change from inch to foot pounds (common practice, no
// source).
const minFootPounds = 20

// Torque prints a torque given in newton metres.
func (p System) Torque(nm float64) string {
	ftLb := nm / fillcalc.NewtonMetresPerPoundFoot
	switch {
	case p == US && ftLb < minFootPounds:
		return shortest(nm/fillcalc.NewtonMetresPerPoundInch, 1) + " in-lb"
	case p == US || p == Imperial:
		return shortest(ftLb, 1) + " ft-lb"
	}
	return shortest(nm, 1) + " N·m"
}

// shortest rounds and drops trailing zeros: 4.2 rather than 4.20.
func shortest(value float64, decimals int) string {
	scale := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(value*scale)/scale, 'f', -1, 64)
}
