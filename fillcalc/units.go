package fillcalc

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
)

// Decimal is the exact value Digits × 10^Exp, as a sensor prints it. It allows a
// unit's factor to be applied exactly, with one rounding at the end.
type Decimal struct {
	Digits int64
	Exp    int
}

// Times multiplies exactly. ok is false if the product has more digits than an
// int64 holds.
func (d Decimal) Times(factor Decimal) (product Decimal, ok bool) {
	p := d.Digits * factor.Digits
	if d.Digits != 0 && (p/d.Digits != factor.Digits || p == math.MinInt64) {
		return Decimal{}, false
	}
	return Decimal{p, d.Exp + factor.Exp}, true
}

var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// Float returns the float64 nearest to the decimal.
func (d Decimal) Float() float64 {
	// Digits below 2^53 and powers of ten up to 10^22 are exact in a float64, so that
	// one division or multiplication rounds once, to the nearest value.
	if -(1<<53) < d.Digits && d.Digits < 1<<53 && -22 <= d.Exp && d.Exp <= 22 {
		if d.Exp < 0 {
			return float64(d.Digits) / pow10[-d.Exp]
		}
		return float64(d.Digits) * pow10[d.Exp]
	}
	b := strconv.AppendInt(make([]byte, 0, 32), d.Digits, 10)
	b = append(b, 'e')
	b = strconv.AppendInt(b, int64(d.Exp), 10)
	f, _ := strconv.ParseFloat(string(b), 64)
	return f
}

// MassUnit is a unit that a scale may print. The zero value means unknown.
type MassUnit uint8

const (
	NoMassUnit MassUnit = iota
	Kilogram
	Gram
	Pound
	Ounce
)

// kgPerUnit holds the exact factors to kilograms. Pound and ounce are the
// avoirdupois ones (international yard and pound agreement of 1959; NIST SP 811,
// 2008, Appendix B).
var kgPerUnit = [...]Decimal{
	Kilogram: {1, 0},
	Gram:     {1, -3},
	Pound:    {45359237, -8},
	Ounce:    {28349523125, -12},
}

// Kg converts a printed value to kilograms, rounded once. ok is false if the unit
// is unknown or the value has more digits than any scale shows.
func (u MassUnit) Kg(printed Decimal) (kg float64, ok bool) {
	if u == NoMassUnit || int(u) >= len(kgPerUnit) {
		return 0, false
	}
	exact, ok := printed.Times(kgPerUnit[u])
	return exact.Float(), ok
}

// ParseMassUnit reads kg, g, lb or oz in upper or lower case; some scales print
// lbs.
func ParseMassUnit(symbol []byte) (MassUnit, error) {
	if len(symbol) == 0 || len(symbol) > 3 {
		return NoMassUnit, fmt.Errorf("unit %q is not one of kg, g, lb, oz", symbol)
	}
	var lower [3]byte
	n := copy(lower[:], symbol)
	for i := range lower[:n] {
		if 'A' <= lower[i] && lower[i] <= 'Z' {
			lower[i] += 'a' - 'A'
		}
	}
	switch string(lower[:n]) {
	case "kg":
		return Kilogram, nil
	case "g":
		return Gram, nil
	case "lb", "lbs":
		return Pound, nil
	case "oz":
		return Ounce, nil
	}
	return NoMassUnit, fmt.Errorf("unit %q is not one of kg, g, lb, oz", symbol)
}

// TemperatureUnit is a unit that a probe may print. The zero value means unknown.
type TemperatureUnit uint8

const (
	NoTemperatureUnit TemperatureUnit = iota
	DegreeCelsius
	DegreeFahrenheit
	Kelvin
)

// Celsius converts a printed value to °C, rounded once. ok is false if the unit is
// unknown or the value has more digits than any probe shows.
func (u TemperatureUnit) Celsius(printed Decimal) (c float64, ok bool) {
	// The offset is subtracted in whole digits of a common exponent, so that 59 °F is
	// exactly 15 °C.
	var offset Decimal
	switch u {
	case DegreeCelsius:
		return printed.Float(), true
	case DegreeFahrenheit:
		offset = Decimal{32, 0}
	case Kelvin:
		offset = Decimal{27315, -2}
	default:
		return 0, false
	}
	for printed.Exp > offset.Exp {
		p, ok := printed.Times(Decimal{10, 0})
		if !ok {
			return 0, false
		}
		printed = Decimal{p.Digits, printed.Exp - 1}
	}
	for offset.Exp > printed.Exp {
		o, ok := offset.Times(Decimal{10, 0})
		if !ok {
			return 0, false
		}
		offset = Decimal{o.Digits, offset.Exp - 1}
	}
	difference := Decimal{printed.Digits - offset.Digits, printed.Exp}
	if u == Kelvin {
		return difference.Float(), true
	}
	// Five ninths as a fraction: no float64 is 1.8, and dividing by the nearest one
	// would round a second time. The offset above allows at most 17 decimals.
	ninth := big.NewRat(difference.Digits, 9*int64(pow10[-difference.Exp]))
	c, _ = ninth.Mul(ninth, big.NewRat(5, 1)).Float64()
	return c, true
}

// ParseTemperatureUnit reads C, F or K in upper or lower case.
func ParseTemperatureUnit(symbol []byte) (TemperatureUnit, error) {
	if len(symbol) == 1 {
		switch symbol[0] {
		case 'C', 'c':
			return DegreeCelsius, nil
		case 'F', 'f':
			return DegreeFahrenheit, nil
		case 'K', 'k':
			return Kelvin, nil
		}
	}
	return NoTemperatureUnit, fmt.Errorf("unit %q is not one of C, F, K", symbol)
}

// Volumes in litres and torques in newton metres, all exact by definition: the US
// gallon of 231 cubic inches, the imperial gallon of 4.54609 L, the pound-force
// with the standard acceleration of 9.80665 m/s² (NIST SP 811, 2008, Appendix B).
const (
	LitresPerUSGallon           = 3.785411784
	LitresPerUSQuart            = 0.946352946
	LitresPerUSPint             = 0.473176473
	LitresPerUSFluidOunce       = 0.0295735295625
	LitresPerImperialGallon     = 4.54609
	LitresPerImperialQuart      = 1.1365225
	LitresPerImperialPint       = 0.56826125
	LitresPerImperialFluidOunce = 0.0284130625
	NewtonMetresPerPoundFoot    = 1.3558179483314004
	NewtonMetresPerPoundInch    = 0.1129848290276167
)
