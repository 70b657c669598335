package sim

import (
	"math"
	"testing"

	"go.uber.org/goleak"
)

// Every goroutine that a test starts must end with it.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %.9g ± %.2g", what, got, want, tolerance)
	}
}

// plain is a job without randomness and heat exchange, all at one temperature.
func plain(celsius float64) Params {
	p := DefaultParams()
	p.AmbientC, p.FluidC = celsius, celsius
	p.PourUnsteadyShare = 0
	return p
}
