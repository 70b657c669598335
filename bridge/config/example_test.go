package config_test

import (
	"fmt"

	"bayfill/bridge/config"
)

// The error of a bad file names line and key, shows the place, and suggests the right key.
func ExampleParse() {
	_, err := config.Parse([]byte(`shop: hilltop
data: /var/lib/bayfill
carts:
  - name: bay2
    sensors:
      - {name: caddy, role: caddy, port: /dev/ttyUSB0, protocol: sma,
         capacty_kg: 30, resolution_kg: 0.005}
`))
	fmt.Println(err)
	// Output:
	// line 7: unknown key "capacty_kg", did you mean "capacity_kg"?
	//      5 |     sensors:
	//      6 |       - {name: caddy, role: caddy, port: /dev/ttyUSB0, protocol: sma,
	// >    7 |          capacty_kg: 30, resolution_kg: 0.005}
	//                   ^
	//      8 |
}

// A value is named by the path of its key. All that is wrong is said at once.
func ExampleParse_value() {
	_, err := config.Parse([]byte(`shop: hilltop
data: /var/lib/bayfill
journal: {max_mb: 5}
`))
	fmt.Println(err)
	// Output:
	// carts: at least one cart is needed
	// line 3: journal.max_mb: 5 must be from 10 to 1000000: the max size of each cart's journal in megabytes
}
