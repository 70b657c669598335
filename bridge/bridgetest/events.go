package bridgetest

import (
	"os"
	"testing"

	"bayfill/fillcalc"
)

// Weights makes n readings of the scale caddy, one a second, from a sequence number on.
func Weights(from uint64, n int) []fillcalc.Event {
	var events []fillcalc.Event
	for i := range n {
		seq := from + uint64(i)
		events = append(events, fillcalc.Event{Seq: seq, AtNs: int64(seq) * 1e9, Kind: fillcalc.KindWeight, Sensor: "caddy",
			N: seq, Value: float64(seq) / 1000, Stability: fillcalc.Stable})
	}
	return events
}

// ReadFile reads a file, or fails the test.
func ReadFile(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}
