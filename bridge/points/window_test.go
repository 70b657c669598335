package points

import (
	"math"
	"testing"

	"bayfill/bridge/wire"
)

// A window's point holds the forecast after the other fields, and leaves out what is
// unknown.
func TestWindowPointHoldsTheForecast(t *testing.T) {
	nan := wire.Number(math.NaN())
	m := wire.Window{State: "nearing", Quality: "good", TempC: 31.25, LowC: 35, HighC: 45, RateCMin: 2.5,
		OpensInS: 103.4, OpensInUS: 14.5, ClosesInS: nan, ClosesInUS: nan}
	const want = `state="nearing",quality="good",temp_c=3.125e+01,low_c=3.5e+01,high_c=4.5e+01,rate_c_min=2.5e+00,seq=7i,opens_in_s=1.034e+02,opens_in_u_s=1.45e+01`
	if p := OfWindow(&m, 7); p.Fields != want || p.Seq != 7 || p.Measurement != "bayfill_window" {
		t.Errorf("%+v", p)
	}
}
