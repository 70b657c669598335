package bridgetest

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

const (
	CaddyLines  = `{name: caddy, role: caddy, port: a, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}`
	SupplyLines = `{name: supply, role: supply, port: b, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}`
	ProbeLines  = `{name: probe, role: transmission-temp, port: c, protocol: line, pattern: temperature, unit: C}`
)

// memoryDir is a folder that costs no disk: some tests commit thousands of times.
func MemoryDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "bayfill-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// bits is a state with every float to its last bit, NaN and the sign of zero
// included, for comparing.
func Bits(s fillcalc.State) string { return fmt.Sprintf("%#v", s) }

// alertTexts are the alerts raised now, by kind.
func AlertTexts(m wire.Alerts) map[string]string {
	texts := map[string]string{}
	for _, a := range m.Alerts {
		texts[a.Kind] = a.Text
	}
	return texts
}

const CommandKey = "a key of this test, long enough"

// oneLine is what becomes of a text that must stay one line.
var OneLine = strings.NewReplacer("\n", " ", "\r", " ", "\t", " ")
