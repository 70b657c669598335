package sim

import (
	"math"
	"testing"
)

// Lines of common practice, no source: the formats that readers of weighing indicators expect.
func TestLines(t *testing.T) {
	moving := Sample{Kg: 1.25, FineKg: 1.25}
	over, under := weighed(31), weighed(-1)
	over.Over, under.Under = true, true
	warm := Sample{IsTemp: true, Celsius: 23.45, Stable: true}
	const status = "status-kind-value-unit"
	for _, c := range []struct {
		w    LineWire
		s    Sample
		want string
	}{
		{LineWire{Shape: status, Unit: "kg", Decimals: 3}, weighed(1.25), "ST,GS,+0001.250kg\r\n"},
		{LineWire{Shape: status, Unit: "kg", Decimals: 3}, weighed(-0.005), "ST,GS,-0000.005kg\r\n"},
		{LineWire{Shape: status, Unit: "kg", Decimals: 3}, weighed(math.Copysign(0, -1)), "ST,GS,+0000.000kg\r\n"},
		{LineWire{Shape: status, Unit: "kg", Decimals: 3}, moving, "US,GS,+0001.250kg\r\n"},
		{LineWire{Shape: status, Unit: "kg", Decimals: 3}, over, "OL,GS,+ 99999kg\r\n"},
		{LineWire{Shape: status, Unit: "kg", Decimals: 3}, under, "UL,GS,- 99999kg\r\n"},
		{LineWire{Shape: status, Unit: "g"}, weighed(1.25), "ST,GS,+00001250g\r\n"},
		{LineWire{Shape: status, Unit: "lb", Decimals: 2}, weighed(0.45359237), "ST,GS,+00001.00lb\r\n"},
		{LineWire{Shape: "value-unit", Unit: "kg", Decimals: 3}, weighed(1.25), "   1.250 kg\r\n"},
		{LineWire{Shape: "value-unit", Unit: "kg", Decimals: 3}, moving, "   1.250 kg?\r\n"},
		{LineWire{Shape: "value-unit", Unit: "kg", Decimals: 3}, over, "-------- kg\r\n"},
		{LineWire{Shape: "value", Unit: "kg", Decimals: 3}, weighed(1.25), "1.250\r\n"},
		{LineWire{Shape: "value", Unit: "oz", Decimals: 1}, weighed(-0.45359237), "-16.0\r\n"},
		{LineWire{Shape: "value", Unit: "kg", Decimals: 3}, under, "--------\r\n"},
		{LineWire{Shape: "counts", CountsPerKg: 100000, CountsZero: 8421}, Sample{Kg: 1.25, FineKg: 1.25004}, "133425\r\n"},
		{LineWire{Shape: "counts", CountsPerKg: -1000}, Sample{FineKg: 2}, "-2000\r\n"},
		{LineWire{Shape: "temp", Unit: "C", Decimals: 2}, warm, "+023.45 C\r\n"},
		{LineWire{Shape: "temp", Unit: "C", Decimals: 1}, Sample{IsTemp: true, Celsius: -5.5}, "-005.5 C\r\n"},
		{LineWire{Shape: "temp", Unit: "F", Decimals: 2}, warm, "+074.21 F\r\n"},
		{LineWire{Shape: "temp", Unit: "C", Decimals: 2}, Sample{IsTemp: true, Celsius: math.NaN()}, "------- C\r\n"},
	} {
		if err := c.w.check(); err != nil {
			t.Error(err)
		}
		if got := string(c.w.Stream(c.s)); got != c.want {
			t.Errorf("%+v: %q, want %q", c.w, got, c.want)
		}
	}
	w := &LineWire{Shape: "value", Unit: "kg"}
	if got := talk(t, w, "anything\r\n", weighed(1)); got != "" {
		t.Errorf("answered %q", got)
	}
}
