package sim

import (
	"math"
	"testing"
	"time"
)

// First-order lag (textbook; values computed independently): 63.21205588 % of a step at tau, 50 % at 0.6931471806·tau.
func TestProbeLagsAStep(t *testing.T) {
	p := NewProbe(ProbeParams{TauS: 8, ReadsPerS: 2}, 1)
	c := NewCart(plain(20))
	p.Advance(c, 0)
	c.fluidC = 80
	p.Advance(c, 5_545_177_445*time.Nanosecond)
	near(t, "half-way °C", p.Read().Celsius, 50, 1e-6)
	p.Advance(c, 2_454_822_555*time.Nanosecond)
	near(t, "at tau °C", p.Read().Celsius, 20+60*0.6321205588, 1e-6)
}

// On a ramp of 2 °C/min a probe of tau 10 s lags by 0.332507083 °C after 60 s (computed independently). With steps
// of 1 ms the temperature of the site is half a step early: 2/60·0.0005 °C.
func TestProbeLagsARamp(t *testing.T) {
	p := NewProbe(ProbeParams{TauS: 10, ReadsPerS: 2}, 1)
	c := NewCart(plain(20))
	p.Advance(c, 0)
	for i := range 60_000 {
		c.fluidC = 20 + 2.0/60*float64(i+1)/1000
		p.Advance(c, time.Millisecond)
	}
	near(t, "lag °C", c.fluidC-p.Read().Celsius, 0.332507083, 2e-5)
}

func TestProbeSitesAndErrors(t *testing.T) {
	c := NewCart(plain(20))
	c.fluidC, c.caddyC = 61.234, 33.333
	for _, w := range []struct {
		p    ProbeParams
		want float64
	}{
		{ProbeParams{Where: InTransmission}, 61.234},
		{ProbeParams{Where: InCaddy}, 33.333},
		{ProbeParams{Where: InCaddy, OffsetC: -0.5}, 32.833},
		{ProbeParams{Where: InTransmission, ResolutionC: 0.1}, 61.2},
		{ProbeParams{Where: InTransmission, ResolutionC: 0.5, OffsetC: 0.1}, 61.5},
	} {
		p := NewProbe(w.p, 1)
		p.Advance(c, time.Second)
		got := p.Read()
		near(t, "°C", got.Celsius, w.want, 1e-9)
		if !got.IsTemp || !got.Stable {
			t.Error("not marked as a temperature at rest")
		}
	}
	p := NewProbe(ProbeParams{NoiseC: 0.05}, 1)
	var sum, squares float64
	for range 4000 {
		p.Advance(c, time.Second)
		off := p.Read().Celsius - 61.234
		sum += off
		squares += off * off
	}
	near(t, "noise °C", math.Sqrt(squares/4000), 0.05, 0.002)
}
