package units

import (
	"fmt"
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"

	"bayfill/fillcalc"
)

// Written is an amount with its unit as somebody wrote it: 4.2 qt, 95 F, 165 in-lb.
type Written string

// UnmarshalYAML keeps the text; what it means is worked out when the whole file
// is checked, so that an error can name its field.
func (w *Written) UnmarshalYAML(unmarshal func(any) error) error { return unmarshal((*string)(w)) }

// Volume is an amount of fluid in litres, as written; nothing written is not known.
type Volume struct {
	Written
	L float64
}

// Temperature is in °C.
type Temperature struct {
	Written
	C float64
}

// Torque is in newton metres.
type Torque struct {
	Written
	NM float64
}

// unit is a unit of the trade and how much of the SI unit it is.
type unit struct {
	symbol string
	si     float64
}

// US units unless imp follows.
var volumeUnits = []unit{
	{"L", 1}, {"mL", 0.001},
	{"qt", fillcalc.LitresPerUSQuart}, {"pt", fillcalc.LitresPerUSPint},
	{"gal", fillcalc.LitresPerUSGallon}, {"fl oz", fillcalc.LitresPerUSFluidOunce},
	{"qt imp", fillcalc.LitresPerImperialQuart}, {"pt imp", fillcalc.LitresPerImperialPint},
	{"gal imp", fillcalc.LitresPerImperialGallon}, {"fl oz imp", fillcalc.LitresPerImperialFluidOunce},
}

var torqueUnits = []unit{
	{"N·m", 1},
	{"in-lb", fillcalc.NewtonMetresPerPoundInch}, {"lb-in", fillcalc.NewtonMetresPerPoundInch},
	{"ft-lb", fillcalc.NewtonMetresPerPoundFoot}, {"lb-ft", fillcalc.NewtonMetresPerPoundFoot},
}

var amountPattern = regexp.MustCompile(`^(-?(?:[0-9]{1,6}(?:\.[0-9]{1,6})?|\.[0-9]{1,6})) ?((?:[^0-9., ].*)?)$`)

// split takes number and unit apart.
func (w Written) split() (number, symbol string, err error) {
	const example = ", as in 4.2 qt, 95 F or 165 in-lb"
	parts := amountPattern.FindStringSubmatch(string(w))
	switch {
	case parts == nil:
		return "", "", fmt.Errorf("%.40q is not a number with its unit"+example, string(w))
	case parts[2] == "":
		return "", "", fmt.Errorf("%.40q has no unit"+example, string(w))
	}
	return parts[1], parts[2], nil
}

// in converts to the SI unit, rounded once: 350 mL is 0.35 L and not its
// neighbour. The error says which units there are.
func (w Written) in(units []unit) (si float64, err error) {
	number, symbol, err := w.split()
	if err != nil {
		return 0, err
	}
	var symbols []string
	for _, u := range units {
		if bare(u.symbol) == bare(symbol) {
			exact, _ := new(big.Rat).SetString(number)
			factor, _ := new(big.Rat).SetString(strconv.FormatFloat(u.si, 'f', -1, 64))
			si, _ = exact.Mul(exact, factor).Float64()
			return si, nil
		}
		symbols = append(symbols, u.symbol)
	}
	return 0, fmt.Errorf("%.40q: unit %.20q is not one of %s", string(w), symbol, strings.Join(symbols, ", "))
}

func (w Written) Litres() (float64, error)       { return w.in(volumeUnits) }
func (w Written) NewtonMetres() (float64, error) { return w.in(torqueUnits) }

func (w Written) Celsius() (float64, error) {
	number, symbol, err := w.split()
	if err != nil {
		return 0, err
	}
	whole, decimals, _ := strings.Cut(number, ".")
	digits, _ := strconv.ParseInt(whole+decimals, 10, 64) // the pattern lets nothing else through
	u, err := fillcalc.ParseTemperatureUnit([]byte(strings.TrimPrefix(symbol, "°")))
	if err != nil || u == fillcalc.Kelvin {
		return 0, fmt.Errorf("%.40q: unit %.20q is not one of C, F", string(w), symbol)
	}
	c, _ := u.Celsius(fillcalc.Decimal{Digits: digits, Exp: -len(decimals)})
	return c, nil
}

var noMarks = strings.NewReplacer(" ", "", "·", "", "-", "", ".", "", "lbf", "lb", "lbs", "lb")

// bare is what the ways to write a unit have in common: N·m, Nm and N-m, in-lb
// and in·lbf, fl oz and fl. oz.
func bare(symbol string) string { return noMarks.Replace(strings.ToLower(symbol)) }

// System are the units in which a shop reads amounts; nothing else depends on
// them.
type System string

const (
	Metric   System = "metric"   // L, °C, N·m
	US       System = "us"       // quarts, °F, inch and foot pounds
	Imperial System = "imperial" // imperial pints, °C, foot pounds (common practice, no source)
)

// ParseSystem reads metric, us or imperial; nothing is metric.
func ParseSystem(text string) (System, error) {
	switch p := System(text); p {
	case "":
		return Metric, nil
	case Metric, US, Imperial:
		return p, nil
	}
	return "", fmt.Errorf("%.40q is not one of %s, %s, %s", text, Metric, US, Imperial)
}

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

// temperature is one temperature, or a range from one to another.
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

// leastFootPounds is where tools change from inch to foot pounds (common
// practice, no source).
const leastFootPounds = 20

func (p System) Torque(nm float64) string {
	ftLb := nm / fillcalc.NewtonMetresPerPoundFoot
	switch {
	case p == US && ftLb < leastFootPounds:
		return shortest(nm/fillcalc.NewtonMetresPerPoundInch, 1) + " in-lb"
	case p == US || p == Imperial:
		return shortest(ftLb, 1) + " ft-lb"
	}
	return shortest(nm, 1) + " N·m"
}

// shortest rounds and leaves out the zeros at the end: 4.2 and not 4.20.
func shortest(value float64, decimals int) string {
	scale := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(value*scale)/scale, 'f', -1, 64)
}
