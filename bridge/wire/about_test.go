package wire

import (
	"testing"

	"bayfill/fillcalc"
)

// About lists each chart with its figure in the unit of its kind, and null while there is
// none.
func TestChecksOf(t *testing.T) {
	var s fillcalc.State
	if text := string(Encode(ChecksOf(&s))); text != "[]" {
		t.Errorf("without charts: %s", text)
	}
	s.ScaleN = 2
	s.Scales[0].Setup = fillcalc.ScaleSetup{Sensor: "caddy", Load: fillcalc.CaddyLoad}
	s.Scales[1].Setup = fillcalc.ScaleSetup{Sensor: "supply", Load: fillcalc.SupplyLoad}
	s.Setup.Caddy.EmptyKg = 2
	s.Uses = []fillcalc.UseChart{
		{Kind: fillcalc.CheckSlope, Sensor: "supply", Fluid: "amber 4", N: 7},
		{Kind: fillcalc.CheckSlope, Sensor: "supply", Fluid: "amber 6", N: 40, M2: 1e-6, Z: 0.0125},
		{Kind: fillcalc.CheckZero, Sensor: "caddy", Against: 2, N: 50, M2: 1e-6, Z: -0.0625},
		{Kind: fillcalc.CheckBalance, Fluid: "amber 6", N: 60, M2: 1, Z: 0.0125},
	}
	const want = `[{"kind":"slope","sensor":"supply","fluid":"amber 4","jobs":7,"moved_pct":null,"moved_kg":null},` +
		`{"kind":"slope","sensor":"supply","fluid":"amber 6","jobs":40,"moved_pct":1.25,"moved_kg":null},` +
		`{"kind":"zero","sensor":"caddy","jobs":50,"moved_pct":null,"moved_kg":-0.0625},` +
		`{"kind":"balance","fluid":"amber 6","jobs":60,"moved_pct":null,"moved_kg":null}]`
	if text := string(Encode(ChecksOf(&s))); text != want {
		t.Errorf("got  %s\nwant %s", text, want)
	}
}
