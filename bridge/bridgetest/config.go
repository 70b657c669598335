package bridgetest

import (
	"os"
	"path/filepath"
	"testing"
)

// SmallConfig is a configuration of one cart with one scale.
const SmallConfig = `shop: hilltop
data: /tmp/x
fluids:
  - {name: a, density_kg_m3: 850}
carts:
  - name: bay2
    sensors:
      - name: caddy
        role: caddy
        port: /dev/ttyX
        protocol: sma
        capacity_kg: 30
        resolution_kg: 0.005
`

// Testdata returns a path in the project's folder testdata, from any package's test.
func Testdata(t testing.TB, elements ...string) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for up := dir; ; up = filepath.Dir(up) {
		if _, err := os.Stat(filepath.Join(up, "go.mod")); err == nil {
			return filepath.Join(append([]string{up, "testdata"}, elements...)...)
		}
		if up == filepath.Dir(up) {
			t.Fatalf("no go.mod above %s", dir)
		}
	}
}

// SmallServiceData is a file of service data.
const SmallServiceData = `name: van6
transmission: 6 speeds
fluid: amber
typical: 4.2 qt
total: 9.1 qt
check: dipstick
between_marks: 1 pt
window: {low: 95 F, high: 113 F}
bolt_torque: 97 in-lb
bottle: 1 qt
source: a sheet
`
