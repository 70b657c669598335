package wire

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"

	"bayfill/fillcalc"
)

// TestAppendReading: what is written by hand is what the encoder writes for the type that the
// schema describes.
func TestAppendReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := fillcalc.Event{
			AtNs: rapid.Int64Range(0, 4e18).Draw(t, "at"), N: rapid.Uint64().Draw(t, "n"),
			Sensor: rapid.StringMatching(`[a-z0-9][a-z0-9_-]{0,31}`).Draw(t, "sensor"),
			Kind:   rapid.SampledFrom([]fillcalc.Kind{fillcalc.KindWeight, fillcalc.KindTemperature}).Draw(t, "kind"),
			// As a scale or probe shows it: far from the figures that the encoder writes with an exponent.
			Value:     float64(rapid.IntRange(-1e9, 1e9).Draw(t, "value")) / 1e4,
			Stability: fillcalc.Stability(rapid.IntRange(0, 2).Draw(t, "stability")),
			Faults:    fillcalc.Faults(rapid.IntRange(0, 127).Draw(t, "faults")),
		}
		want := Reading{TS: Timestamp(e.AtNs), Sensor: e.Sensor, N: e.N, Faults: e.Faults.Names()}
		if e.Kind == fillcalc.KindWeight {
			want.Stability = e.Stability.String()
		}
		switch {
		case e.Faults.Hidden():
		case e.Kind == fillcalc.KindWeight:
			want.Kg = &e.Value
		default:
			want.C = &e.Value
		}
		if got := AppendReading(nil, &e); string(got) != string(Encode(want)) {
			t.Errorf("%s\nthe encoder: %s", got, Encode(want))
		}
	})
	// A value too small for that is still JSON.
	tiny := AppendReading(nil, &fillcalc.Event{Kind: fillcalc.KindWeight, Value: 1e-9})
	var m Reading
	if err := json.Unmarshal(tiny, &m); err != nil || *m.Kg != 1e-9 {
		t.Errorf("%s: %v", tiny, err)
	}
}
