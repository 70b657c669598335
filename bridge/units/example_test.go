package units_test

import (
	"fmt"

	"bayfill/bridge/units"
)

func ExampleWritten_Litres() {
	litres, _ := units.Written("4.2 qt").Litres()
	fmt.Printf("%.3f L\n", litres)
	_, err := units.Written("4.2").Litres()
	fmt.Println(err)
	// Output:
	// 3.975 L
	// "4.2" has no unit, as in 4.2 qt, 95 F or 165 in-lb
}

func ExampleSystem_Volume() {
	fmt.Println(units.Metric.Volume(3.9746823732))
	fmt.Println(units.US.Volume(3.9746823732))
	fmt.Println(units.US.Volume(0.1))
	// Output:
	// 3.97 L
	// 4.20 qt
	// 3.4 fl oz
}
