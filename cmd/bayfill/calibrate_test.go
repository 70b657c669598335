package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
)

// Mistakes are reported before any port is opened, with the name of the flag.
func TestCalibrateMistakes(t *testing.T) {
	dir := t.TempDir()
	config := filepath.Join(dir, "bayfill.yaml")
	text := fmt.Sprintf(`shop: hilltop
data: %s/data
carts:
  - name: bay2
    sensors:
      - {name: scale, role: caddy, port: %[1]s/none, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}
      - {name: probe, role: transmission-temp, port: %[1]s/none2, protocol: line, pattern: temperature}
`, dir)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args string
		want string
	}{
		{"--sensor nil", `--sensor: cart bay2 has no "nil", its sensors are scale, probe`},
		{"--cart bay9 --sensor scale", `--cart: there is no "bay9"`},
		{"--sensor scale --point 0 --point 5", `"5" is not a weight with its unit`},
		{"--sensor scale --point 0 --point 31kg", "capacity of 30 kg"},
		{"--sensor scale --point 0 --point -1kg", "capacity of 30 kg"},
		{"--sensor scale --point 0", "one known weight"},
		{"--sensor scale --point 2kg", "Give 0"},
		{"--sensor probe --point 0", "or a temperature with its unit"},
		{"--sensor probe --point 300C", "-60 to 250"},
		{"--sensor probe --point boiling", "--altitude-m"},
		{"--sensor probe --point boiling --altitude-m 9000", "--altitude-m: 9000 m is out of range"},
		{"--sensor probe --pressure-hpa 29.9", "--pressure-hpa: 29.9 hPa is out of range"},
		{"--sensor probe --pressure-hpa NaN", "--pressure-hpa: NaN"},
		{"--sensor scale --due-days 0", "--due-days"},
		{"--sensor scale --weights-u-pct NaN", "--weights-u-pct"},
		{"--sensor scale --due-days 0 --lang es", "--due-days: 0 está fuera de lo posible"},
		{"--list --sensor nil", `no sensor "nil"`},
	} {
		args := append([]string{"calibrate", "--config", config}, strings.Fields(c.args)...)
		if status, out, errors := program(t.Context(), args...); status != 1 || !strings.Contains(errors, c.want) {
			t.Errorf("%s: status %d: %s%s; want %q", c.args, status, out, errors, c.want)
		}
	}
}

// The list needs no sensor, and names all of them.
func TestCalibrateLists(t *testing.T) {
	config := filepath.Join(t.TempDir(), "bayfill.yaml")
	if err := os.WriteFile(config, []byte(bridgetest.SmallConfig), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, out, errors := program(t.Context(), "calibrate", "--list", "--config", config); status != 0 || out != "bay2 caddy\n    never calibrated\n" {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
}
