package sensors_test

import (
	"fmt"

	"bayfill/sensors"
)

func ExampleNew_sma() {
	sma, err := sensors.New("sma", sensors.Options{Quantity: sensors.Weight, CapacityKg: 30})
	if err != nil {
		panic(err)
	}
	for _, frame := range []string{"\n 1G       1.250kg \r", "\nO1G      31.250kg \r"} {
		reading, err := sma.Parse([]byte(frame))
		fmt.Println(reading.Value, reading.Faults.Names(), err)
	}
	// Output:
	// 1.25 [] <nil>
	// 0 [overload] status, byte 1: 'O': outside the scale's range
}

func ExampleNew_line() {
	// The frame states its unit, which overrides the configured one.
	line, err := sensors.New("line", sensors.Options{Quantity: sensors.Weight, Unit: "kg", Pattern: "status-kind-value-unit", Width: 16})
	if err != nil {
		panic(err)
	}
	reading, err := line.Parse([]byte("ST,GS,+0001250 g"))
	fmt.Println(reading.Value, reading.Faults.Names(), err)
	// A digit is missing.
	reading, err = line.Parse([]byte("ST,GS,+001250 g"))
	fmt.Println(reading.Value, reading.Faults.Names(), err)
	// Output:
	// 1.25 [unit] <nil>
	// 0 [frame] line, byte 15: 15 bytes, configured width is 16
}

// Garbage in front of a frame is skipped without a reading, and the beginning of
// a frame waits for its end.
func ExampleProtocol_split() {
	sma, err := sensors.New("sma", sensors.Options{Quantity: sensors.Weight})
	if err != nil {
		panic(err)
	}
	data := []byte("50kg \r\x00\xff\n 1G       1.250kg \r\n 1G   ")
	for {
		advance, frame := sma.Split(data)
		if advance == 0 {
			break
		}
		if frame == nil {
			fmt.Printf("skipped %q\n", data[:advance])
		} else {
			reading, _ := sma.Parse(frame)
			fmt.Println(reading.Value, "kg")
		}
		data = data[advance:]
	}
	fmt.Printf("%d bytes wait for more\n", len(data))
	// Output:
	// skipped "50kg \r\x00\xff"
	// 1.25 kg
	// 7 bytes wait for more
}
