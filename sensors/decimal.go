package sensors

import (
	"errors"

	"bayfill/fillcalc"
)

var (
	errNoDigits = errors.New("no digits")
	errDigits   = errors.New("too many digits")
	errNumber   = errors.New("not a plain decimal number")
)

// parseDecimal reads a number as instruments print it: blanks around it and
// between sign and digits, at most one decimal point or comma and, when exponent
// is set, an exponent (NR3 of IEEE 488.2). NaN, Inf, hexadecimal numbers and an
// empty field are errors, never zero. point reports whether the number had a decimal
// point or comma.
func parseDecimal(text []byte, exponent bool) (d fillcalc.Decimal, point bool, err error) {
	i := 0
	blanks := func() {
		for i < len(text) && text[i] == ' ' {
			i++
		}
	}
	blanks()
	negative := false
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		negative = text[i] == '-'
		i++
	}
	blanks()
	digits := 0
	for ; i < len(text); i++ {
		c := text[i]
		if (c == '.' || c == ',') && !point {
			point = true
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		if d.Digits > 99_999_999_999_999_999 {
			return fillcalc.Decimal{}, false, errDigits
		}
		d.Digits = d.Digits*10 + int64(c-'0')
		digits++
		if point {
			d.Exp--
		}
	}
	if digits == 0 {
		return fillcalc.Decimal{}, false, errNoDigits
	}
	if exponent && i < len(text) && (text[i] == 'e' || text[i] == 'E') {
		i++
		sign, e, n := 1, 0, 0
		if i < len(text) && (text[i] == '+' || text[i] == '-') {
			if text[i] == '-' {
				sign = -1
			}
			i++
		}
		for ; i < len(text) && text[i] >= '0' && text[i] <= '9' && n < 3; i++ {
			e = e*10 + int(text[i]-'0')
			n++
		}
		if n == 0 {
			return fillcalc.Decimal{}, false, errNumber
		}
		d.Exp += sign * e
	}
	blanks()
	if i < len(text) {
		return fillcalc.Decimal{}, false, errNumber
	}
	if negative {
		d.Digits = -d.Digits
	}
	return d, point, nil
}
