package wire

import (
	"math"
	"strconv"
)

// Number is a figure in a message: rounded to four decimals (0.1 mL), and null when
// it is unknown, which is NaN here. JSON has no NaN: without this type, a single one
// would make its whole message impossible to encode.
type Number float64

// MarshalJSON writes NaN and infinities as null.
func (n Number) MarshalJSON() ([]byte, error) {
	rounded := math.Round(float64(n)*1e4) / 1e4
	if math.IsNaN(rounded) || math.IsInf(rounded, 0) {
		return []byte("null"), nil
	}
	if rounded == 0 {
		rounded = 0 // not -0
	}
	return strconv.AppendFloat(nil, rounded, 'f', -1, 64), nil
}

// UnmarshalJSON reads null as NaN.
func (n *Number) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	f, err := strconv.ParseFloat(string(text), 64)
	*n = Number(f)
	return err
}
