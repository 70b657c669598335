package audit

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"time"
)

// number is a figure of a sheet. In JSON an unknown one is null, and a known one is
// rounded to 1e-6, far below what can be measured, so that the text is the same on
// every machine.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	rounded := math.Round(float64(n)*1e6) / 1e6
	if !isNumber(rounded) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, rounded+0, 'f', -1, 64), nil
}

// Fixed formats it with a number of decimals; an unknown number is a dash.
func (n number) Fixed(decimals int) string {
	if !isNumber(float64(n)) {
		return "–"
	}
	text := strconv.FormatFloat(float64(n), 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-") // zero has no sign
	}
	return strings.Replace(text, "-", "−", 1)
}

// Short formats it with as many decimals as it needs, up to a maximum.
func (n number) Short(maxDecimals int) string {
	text := n.Fixed(maxDecimals)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// Given is Short with a unit. A 0 is a dash: it means that nobody entered the number.
func (n number) Given(maxDecimals int, unit string) string {
	if n == 0 {
		return "–"
	}
	return strings.TrimSpace(n.Short(maxDecimals) + " " + unit)
}

// instant is a time in nanoseconds since 1970; 0 is unknown.
type instant int64

func (i instant) MarshalJSON() ([]byte, error) {
	if i == 0 {
		return []byte("null"), nil
	}
	return json.Marshal(time.Unix(0, int64(i)).UTC().Format("2006-01-02T15:04:05.000Z"))
}
