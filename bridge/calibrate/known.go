package calibrate

import (
	"math"
	"strconv"
	"strings"

	"bayfill/fillcalc"
)

// known is the value that a point is compared with: kg, or °C with its standard
// uncertainty.
type known struct {
	text  string // as the person wrote it
	value float64
	uC    float64 // 0 for weights: their uncertainty is common to all of them
	ask   bool    // the value is asked for at the point
}

// Standard uncertainties of known temperatures (common practice, no source).
const (
	iceUC         = 0.05 // crushed ice with just enough water, stirred
	boilingUC     = 0.1  // besides that of the pressure:
	barometerUHPa = 1
	weatherUHPa   = 10   // the true pressure against the standard atmosphere at an altitude
	boilingCHPa   = 0.03 // °C per hPa: 0.028 at sea level, 0.034 at 2000 m
)

// pressure is that of the air, with its standard uncertainty; 0: not known.
type pressure struct{ hPa, uHPa float64 }

// airPressure is what the barometer says, or else what the altitude suggests.
func airPressure(o Options) (pressure, error) {
	switch {
	case o.PressureHPa != 0:
		if _, err := fillcalc.BoilingC(o.PressureHPa); err != nil {
			return pressure{}, o.wrong("pressure-hpa", err)
		}
		return pressure{o.PressureHPa, barometerUHPa}, nil
	case o.AltitudeM != nil:
		hPa, err := fillcalc.PressureHPa(*o.AltitudeM)
		if err != nil {
			return pressure{}, o.wrong("altitude-m", err)
		}
		return pressure{hPa, weatherUHPa}, nil
	}
	return pressure{}, nil
}

// displayUC adds the rounding of a display with steps of resolutionC to the standard
// uncertainty of a known temperature (GUM F.2.2.1).
func displayUC(uC, resolutionC float64) float64 { return math.Hypot(uC, resolutionC/math.Sqrt(12)) }

// parse reads a known value: a number with its unit, 0 without one, or one of the
// words for a temperature.
func (s *Session) parse(text string) (known, error) {
	if s.weighs() {
		return s.parseWeight(text)
	}
	return s.parseTemperature(text)
}

func (s *Session) parseWeight(text string) (known, error) {
	k := known{text: strings.TrimSpace(text)}
	number, unit, err := splitUnit(trimmed(text))
	if err == nil && number.Digits == 0 && unit == "" {
		return k, nil
	}
	mass, unitErr := fillcalc.ParseMassUnit([]byte(unit))
	if err != nil || unitErr != nil {
		return known{}, refuse("calibrate.not_weight", nil, names{"typed": text})
	}
	fits := false
	if k.value, fits = mass.Kg(number); !fits || !(k.value >= 0 && k.value <= s.sensor.CapacityKg) {
		return known{}, refuse("calibrate.over_capacity", figures{"capacity": s.sensor.CapacityKg}, names{"typed": text})
	}
	return k, nil
}

func (s *Session) parseTemperature(text string) (known, error) {
	k := known{text: strings.TrimSpace(text)}
	word := strings.ReplaceAll(trimmed(text), "°", "")
	switch word {
	case "ice":
		k.uC = iceUC
		return k, nil
	case "boiling":
		return s.boiling(k)
	case "reference":
		k.ask = true
		return k, nil
	}
	number, unit, err := splitUnit(word)
	temperature, unitErr := fillcalc.ParseTemperatureUnit([]byte(unit))
	if err != nil || unitErr != nil {
		return known{}, refuse("calibrate.not_temperature", nil, names{"typed": text})
	}
	k.uC = s.options.ReferenceUC
	fits := false
	if k.value, fits = temperature.Celsius(number); !fits || !(k.value >= -60 && k.value <= 250) {
		return known{}, fillcalc.Outside("", "", fillcalc.Span{Low: -60, High: 250}, text)
	}
	return k, nil
}

// splitUnit separates a decimal number from the unit behind it.
func splitUnit(text string) (number fillcalc.Decimal, unit string, err error) {
	digits := text
	if i := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) }); i >= 0 {
		digits, unit = text[:i], strings.TrimSpace(text[i:])
	}
	whole, fraction, _ := strings.Cut(digits, ".")
	n, err := strconv.ParseInt(whole+fraction, 10, 64)
	return fillcalc.Decimal{Digits: n, Exp: -len(fraction)}, unit, err
}

func (s *Session) boiling(k known) (known, error) {
	if s.air == (pressure{}) {
		return known{}, refuse("calibrate.no_pressure", nil, nil)
	}
	var err error
	if k.value, err = fillcalc.BoilingC(s.air.hPa); err != nil {
		return known{}, err
	}
	k.uC = math.Hypot(boilingUC, boilingCHPa*s.air.uHPa)
	return k, nil
}
