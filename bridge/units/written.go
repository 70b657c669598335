package units

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"

	"bayfill/fillcalc"
)

// Written is an amount with its unit as somebody wrote it: 4.2 qt, 95 F, 165 in-lb.
type Written string

// UnmarshalYAML keeps the text. It is converted when the whole file is checked, so
// that an error can name its field.
func (w *Written) UnmarshalYAML(unmarshal func(any) error) error { return unmarshal((*string)(w)) }

// Volume is an amount of fluid in litres, with the text it came from; an empty text
// means that the volume is unknown.
type Volume struct {
	Written
	L float64
}

// Temperature is a temperature in °C, with the text it came from.
type Temperature struct {
	Written
	C float64
}

// Mass is a weight in kilograms, with the text it came from; an empty text means that it
// is unknown.
type Mass struct {
	Written
	Kg float64
}

// Torque is a torque in newton metres, with the text it came from.
type Torque struct {
	Written
	NM float64
}

// unit is a unit of the trade and its value in the SI unit.
type unit struct {
	symbol string
	si     float64
}

// volumeUnits are the units of volume, in litres; a name without "imp" is the US unit.
var volumeUnits = []unit{
	{"L", 1}, {"mL", 0.001},
	{"qt", fillcalc.LitresPerUSQuart}, {"pt", fillcalc.LitresPerUSPint},
	{"gal", fillcalc.LitresPerUSGallon}, {"fl oz", fillcalc.LitresPerUSFluidOunce},
	{"qt imp", fillcalc.LitresPerImperialQuart}, {"pt imp", fillcalc.LitresPerImperialPint},
	{"gal imp", fillcalc.LitresPerImperialGallon}, {"fl oz imp", fillcalc.LitresPerImperialFluidOunce},
}

// torqueUnits are the units of torque, in newton metres.
var torqueUnits = []unit{
	{"N·m", 1},
	{"in-lb", fillcalc.NewtonMetresPerPoundInch}, {"lb-in", fillcalc.NewtonMetresPerPoundInch},
	{"ft-lb", fillcalc.NewtonMetresPerPoundFoot}, {"lb-ft", fillcalc.NewtonMetresPerPoundFoot},
}

// Litres converts a volume to litres.
func (w Written) Litres() (float64, error) { return w.in(volumeUnits) }

// NewtonMetres converts a torque to newton metres.
func (w Written) NewtonMetres() (float64, error) { return w.in(torqueUnits) }

// Kilograms converts a weight in kg, g, lb or oz to kilograms.
func (w Written) Kilograms() (float64, error) {
	number, symbol, err := w.split()
	if err != nil {
		return 0, err
	}
	u, err := fillcalc.ParseMassUnit([]byte(symbol))
	if err != nil {
		return 0, fmt.Errorf("%.40q: unit %.20q is not one of %s", string(w), symbol, OfMass.Symbols())
	}
	kg, ok := u.Kg(decimal(number))
	if !ok {
		return 0, fmt.Errorf("%.40q has too many digits", string(w))
	}
	return kg, nil
}

// Celsius converts a temperature in °C or °F to °C.
func (w Written) Celsius() (float64, error) {
	number, symbol, err := w.split()
	if err != nil {
		return 0, err
	}
	u, err := fillcalc.ParseTemperatureUnit([]byte(strings.TrimPrefix(symbol, "°")))
	if err != nil || u == fillcalc.Kelvin {
		return 0, fmt.Errorf("%.40q: unit %.20q is not one of %s", string(w), symbol, OfTemperature.Symbols())
	}
	c, _ := u.Celsius(decimal(number))
	return c, nil
}

// decimal returns the exact value of a number that amountPattern allows.
func decimal(number string) fillcalc.Decimal {
	whole, decimals, _ := strings.Cut(number, ".")
	digits, _ := strconv.ParseInt(whole+decimals, 10, 64)
	return fillcalc.Decimal{Digits: digits, Exp: -len(decimals)}
}

// in converts to the SI unit and rounds once: 350 mL is 0.35 L, not the neighbouring
// float. The error lists the units that are accepted.
func (w Written) in(units []unit) (si float64, err error) {
	number, symbol, err := w.split()
	if err != nil {
		return 0, err
	}
	for _, u := range units {
		if bare(u.symbol) == bare(symbol) {
			exact, _ := new(big.Rat).SetString(number)
			factor, _ := new(big.Rat).SetString(strconv.FormatFloat(u.si, 'f', -1, 64))
			si, _ = exact.Mul(exact, factor).Float64()
			return si, nil
		}
	}
	return 0, fmt.Errorf("%.40q: unit %.20q is not one of %s", string(w), symbol, symbols(units))
}

var amountPattern = regexp.MustCompile(`^(-?(?:[0-9]{1,6}(?:\.[0-9]{1,6})?|\.[0-9]{1,6})) ?((?:[^0-9., ].*)?)$`)

// split separates the number from the unit.
func (w Written) split() (number, symbol string, err error) {
	const example = ", as in 4.2 qt, 95 F or 165 in-lb"
	parts := amountPattern.FindStringSubmatch(plainMinus(string(w)))
	switch {
	case parts == nil && strings.Contains(string(w), ","):
		return "", "", fmt.Errorf("%.40q is not a number with its unit: write a decimal point"+example, string(w))
	case parts == nil:
		return "", "", fmt.Errorf("%.40q is not a number with its unit"+example, string(w))
	case parts[2] == "":
		return "", "", fmt.Errorf("%.40q has no unit"+example, string(w))
	}
	return parts[1], parts[2], nil
}

var oneSpelling = strings.NewReplacer("fluid ounces", "floz", "fluid ounce", "floz", "onzas líquidas", "floz", "onza líquida", "floz",
	"millilitres", "ml", "millilitre", "ml", "milliliters", "ml", "milliliter", "ml", "mililitros", "ml", "mililitro", "ml",
	"litres", "l", "litre", "l", "liters", "l", "liter", "l", "litros", "l", "litro", "l",
	"quarts", "qt", "quart", "qt", "cuartos", "qt", "cuarto", "qt", "pints", "pt", "pint", "pt", "pintas", "pt", "pinta", "pt",
	"gallons", "gal", "gallon", "gal", "galones", "gal", "galón", "gal", "imperial", "imp",
	" ", "", "·", "", "-", "", ".", "", "lbf", "lb", "lbs", "lb")

// bare reduces the spellings of a unit to one: N·m, Nm and N-m; in-lb and in·lbf;
// fl oz, fl. oz and fluid ounces; gal and gallons.
func bare(symbol string) string { return oneSpelling.Replace(strings.ToLower(symbol)) }

// symbols lists the symbols of units.
func symbols(units []unit) string {
	var list []string
	for _, u := range units {
		list = append(list, u.symbol)
	}
	return strings.Join(list, ", ")
}
