package bridge

import (
	"math"
	"strings"
	"testing"
)

// Factors: NIST SP 811 (2008), appendix B.8; 165 lbf·in is common practice for
// such a pan, no source.
func TestParseTorque(t *testing.T) {
	for written, want := range map[string]float64{
		"18.6 N m": 18.6, "18.6N·m": 18.6, "18.6 Nm": 18.6, "165 in-lb": 165 * 0.1129848, "165 lbf.in": 165 * 0.1129848, "11 ft-lb": 11 * 1.355818, "11 lb ft": 11 * 1.355818,
	} {
		got, err := parseTorque(written)
		if err != nil || math.Abs(got-want) > 1e-5*want {
			t.Errorf("%s = %g N·m, %v, want %g", written, got, err, want)
		}
	}
	for _, written := range []string{"", "18.6", "N m", "18,6 Nm", "-3 Nm", "18.6 kg", "1e3 Nm"} {
		if nm, err := parseTorque(written); err == nil || !strings.Contains(err.Error(), "no torque with its unit") {
			t.Errorf("%q = %g, %v", written, nm, err)
		}
	}
}
