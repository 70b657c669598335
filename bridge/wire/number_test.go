package wire

import (
	"encoding/json"
	"math"
	"testing"
)

// TestNumberInJSON checks figures in messages: four decimals, null for NaN and
// infinity, no -0.
func TestNumberInJSON(t *testing.T) {
	for _, c := range []struct {
		f    float64
		want string
	}{
		{math.NaN(), "null"}, {math.Inf(1), "null"}, {math.Inf(-1), "null"},
		{0, "0"}, {math.Copysign(0, -1), "0"}, {-0.00001, "0"}, {-0.00005, "-0.0001"}, {0.00004, "0"},
		{1.23456, "1.2346"}, {-1.23454, "-1.2345"}, {3, "3"}, {1e15, "1000000000000000"}, {5e-324, "0"},
	} {
		text, err := json.Marshal(Number(c.f))
		if err != nil || string(text) != c.want {
			t.Errorf("%v is written as %s, want %s (%v)", c.f, text, c.want, err)
		}
		var back Number
		if err := json.Unmarshal(text, &back); err != nil || math.IsNaN(float64(back)) != (c.want == "null") {
			t.Errorf("%s is read as %v, %v", text, back, err)
		}
	}
	for _, f := range []float64{math.MaxFloat64, -math.MaxFloat64, 1e300} {
		if text, err := json.Marshal(Number(f)); err != nil || !json.Valid(text) {
			t.Errorf("%v is written as %s: %v", f, text, err)
		}
	}
}
