package wire

import (
	"fmt"
	"strings"
	"testing"
)

// TestChoicesAreBounded checks that the message fits into what brokers accept, and counts
// what it leaves out, however long the names are.
func TestChoicesAreBounded(t *testing.T) {
	long := strings.Repeat("<", MaxText) // six bytes each in JSON
	for _, c := range []struct {
		name, text  string
		n           int
		leastFluids int
		leastData   int
	}{{"few", "van", 3, 3, 3}, {"many", "a van of 2031 with six speeds", 5000, 80, 80}, {"long names", long, 500, 5, 5}} {
		var fluids []ChoiceFluid
		var data []ChoiceServiceData
		for i := range c.n {
			fluids = append(fluids, ChoiceFluid{Name: fmt.Sprintf("f%04d%s", c.n-i, c.text), DensityKgM3: 846.23456789, AtC: 20, UPct: 0.123456})
			data = append(data, ChoiceServiceData{Name: fmt.Sprintf("v%04d", c.n-i), Vehicle: c.text, Transmission: c.text, Fluid: c.text, Check: "dipstick"})
		}
		m := NewChoices(fluids, data)
		if size := len(Encode(m)); size > 62<<10 {
			t.Errorf("%s: %d bytes", c.name, size)
		}
		if n := len(m.Fluids); n < c.leastFluids || n+m.FluidsLeftOut != c.n || m.Fluids[0].Name != "f0001"+c.text {
			t.Errorf("%s: %d fluids and %d left out, the first is %.20s", c.name, n, m.FluidsLeftOut, m.Fluids[0].Name)
		}
		if n := len(m.ServiceData); n < c.leastData || n+m.ServiceDataLeftOut != c.n || m.ServiceData[0].Name != "v0001" {
			t.Errorf("%s: %d service data and %d left out, the first is %s", c.name, n, m.ServiceDataLeftOut, m.ServiceData[0].Name)
		}
	}
	if text := string(Encode(NewChoices(nil, nil))); text != `{"fluids":[],"fluids_left_out":0,"service_data":[],"service_data_left_out":0}` {
		t.Errorf("nothing to choose from: %s", text)
	}
}
