package units

import (
	"math"
	"testing"
)

// FuzzWritten converts any text: the result is an error and 0, or a finite amount.
func FuzzWritten(f *testing.F) {
	for _, text := range []string{"4.2 qt", "7 pt imp", "-40 F", "18.6 N·m", ".5 fl. oz imp", "1.", "°F", "0 K"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, convert := range []func(Written) (float64, error){Written.Litres, Written.Kilograms, Written.Celsius, Written.NewtonMetres} {
			si, err := convert(Written(text))
			if math.IsNaN(si) || math.Abs(si) > 1e7 || err != nil && si != 0 {
				t.Fatalf("%q is %g, %v", text, si, err)
			}
		}
	})
}
