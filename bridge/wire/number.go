package wire

import (
	"math"
	"strconv"
)

// number is a figure in a message: rounded to four decimals (0.1 mL), null when
// it is not known. JSON has no NaN, and one NaN would silence a whole leaf: this
// is the one place where that is settled.
type Number float64

func (n Number) MarshalJSON() ([]byte, error) {
	rounded := math.Round(float64(n)*1e4) / 1e4
	if math.IsNaN(rounded) || math.IsInf(rounded, 0) {
		return []byte("null"), nil
	}
	if rounded == 0 {
		rounded = 0 // no -0
	}
	return strconv.AppendFloat(nil, rounded, 'f', -1, 64), nil
}

// UnmarshalJSON takes null as not known.
func (n *Number) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	f, err := strconv.ParseFloat(string(text), 64)
	*n = Number(f)
	return err
}
