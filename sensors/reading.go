package sensors

import "bayfill/fillcalc"

// Reading is one decoded frame of one sensor.
type Reading struct {
	AtNs     int64  // arrival of the frame's last byte, on the clock given to [Sensor.Run]
	N        uint64 // number of the frame since the sensor was started, from 1; faulty frames count
	Quantity Quantity
	// Value is in kg or °C by Quantity; 0 and meaningless when Faults.Hidden.
	Value     float64
	Stability fillcalc.Stability
	Faults    fillcalc.Faults
}

// Quantity is what a sensor measures.
type Quantity uint8

const (
	Weight Quantity = iota + 1
	Temperature
)

func (q Quantity) String() string {
	if q == Temperature {
		return "temperature"
	}
	return "weight"
}
