package bridgetest

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Sensors of a configuration, as YAML list items.
const (
	CaddyLines  = `{name: caddy, role: caddy, port: a, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}`
	SupplyLines = `{name: supply, role: supply, port: b, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}`
	ProbeLines  = `{name: probe, role: transmission-temp, port: c, protocol: line, pattern: temperature, unit: C}`
)

// MemoryDir makes a folder in memory, because some tests commit thousands of times. Where
// that is impossible the folder is on disk.
func MemoryDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "bayfill-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// Bits returns a text that is the same for two states only if all their floats are the
// same bit for bit, including the sign of zero: what a snapshot keeps, which has no NaN.
func Bits(s fillcalc.State) string {
	text, err := json.Marshal(s)
	if err != nil {
		panic(err)
	}
	return string(text)
}

// AlertTexts returns the texts of the alerts by their kinds.
func AlertTexts(m wire.Alerts) map[string]string {
	texts := map[string]string{}
	for _, a := range m.Alerts {
		texts[a.Kind] = a.Text
	}
	return texts
}

// CommandKey is a key for signed commands.
const CommandKey = "a key of this test, long enough"

// OneLine makes of a text what the history keeps of it, which is one line.
var OneLine = strings.NewReplacer("\n", " ", "\r", " ", "\t", " ")

// Known reports whether a published figure has a value.
func Known(n wire.Number) bool { return !math.IsNaN(float64(n)) }
