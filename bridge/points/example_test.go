package points_test

import (
	"fmt"

	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// A reading becomes a line of the history, and the line gives the same event back.
func Example() {
	sent := fillcalc.Event{Seq: 7, AtNs: 1_750_000_000_123_456_789, Kind: fillcalc.KindWeight, Sensor: "caddy",
		N: 3, Value: 3.205, Stability: fillcalc.Stable}
	line, err := points.Line("hilltop", "bay2", &sent, nil)
	if err != nil {
		panic(err)
	}
	fmt.Println(line)

	point, shop, cart, err := points.ParseLine(line)
	if err != nil {
		panic(err)
	}
	read, err := point.Event()
	fmt.Println(shop, cart, read == sent, err)
	// Output:
	// bayfill_reading,shop=hilltop,cart=bay2,sensor=caddy kg=3.205e+00,stability=1i,n=3i,seq=7i 1750000000123456789
	// hilltop bay2 true <nil>
}
