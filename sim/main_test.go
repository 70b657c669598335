package sim

import (
	"math"
	"testing"

	"go.uber.org/goleak"
)

// Whatever a test starts must have ended with it.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %.9g ± %.2g", what, got, want, tolerance)
	}
}

// plain is a job without random parts and without heat exchange, all at one temperature.
func plain(celsius float64) Params {
	p := DefaultParams()
	p.AmbientC, p.FluidC = celsius, celsius
	p.PourUnsteadyShare = 0
	return p
}
