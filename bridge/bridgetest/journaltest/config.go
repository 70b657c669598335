package journaltest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

// Config returns the configuration of a cart with these sensors (YAML list items) and a
// broker that nobody runs.
func Config(t *testing.T, data string, sensors ...string) *config.Config {
	t.Helper()
	c, err := config.Parse(fmt.Appendf(nil, `
shop: test
data: %q
broker: {url: "tcp://127.0.0.1:1"}
fluids: [{name: used, density_kg_m3: 858}, {name: fresh, density_kg_m3: 846}]
carts: [{name: cart, caddy: {empty_kg: 2.4, holds_l: 12}, sensors: [%s]}]
`, data, strings.Join(sensors, ", ")))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// BareConfig returns the configuration of a cart with one scale that sends nothing, which
// is enough for tests of MQTT. broker is the broker's section of the file.
func BareConfig(t testing.TB, data, broker string) *config.Config {
	t.Helper()
	c, err := config.Parse([]byte(fmt.Sprintf(`
shop: test
data: %s
broker: %s
fluids: [{name: used, density_kg_m3: 858}, {name: fresh, density_kg_m3: 846}]
carts:
  - name: cart
    sensors: [{name: caddy, role: caddy, port: none, protocol: line, pattern: value-unit, capacity_kg: 30, resolution_kg: 0.005}]
`, data, broker)))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// InputsIn counts the inputs in the test cart's journal by the id of their command.
func InputsIn(t testing.TB, c *config.Config) map[string]int {
	t.Helper()
	journal, err := journal.Open(c.JournalPath("cart"))
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	events, err := journal.Events(context.Background(), 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	for _, e := range events {
		if e.Input != nil && e.Input.ID != "" {
			counts[e.Input.ID]++
		}
	}
	return counts
}

// KeyOf writes a key into a file and returns the file.
func KeyOf(t testing.TB, key string) config.Secret {
	t.Helper()
	file := filepath.Join(t.TempDir(), "command.key")
	if err := os.WriteFile(file, []byte(key+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return config.Secret{File: file}
}
