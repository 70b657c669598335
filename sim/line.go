package sim

import (
	"fmt"
	"math/bits"
)

// LineSettings are the line settings of a sensor. The zero value is 9600 8N1; there is always one stop bit.
//
// On a pseudo-terminal the speed of the reader matters: if it differs from the sensor's, each side receives what a real UART
// would receive; if it is the same, the bytes arrive unchanged. Data bits and parity cannot be compared, because the kernel
// keeps neither for a pseudo-terminal, so both sides are assumed to agree. One difference remains: a sensor with seven data
// bits shows its parity in bit 7, as a reader with eight data bits sees it on a real line, whatever the reader has set.
type LineSettings struct {
	Baud     int    // 0 is 9600
	DataBits int    // 7 or 8; 0 is 8. Seven data bits need a parity
	Parity   string // none, even or odd; "" is none
}

func (l LineSettings) withDefaults() LineSettings {
	if l.Baud == 0 {
		l.Baud = 9600
	}
	if l.DataBits == 0 {
		l.DataBits = 8
	}
	if l.Parity == "" {
		l.Parity = "none"
	}
	return l
}

func (l LineSettings) check() error {
	switch {
	case speeds[l.Baud] == 0:
		return fmt.Errorf("%d baud: want a usual speed from 1200 to 115200", l.Baud)
	case l.DataBits != 7 && l.DataBits != 8:
		return fmt.Errorf("%d data bits: want 7 or 8", l.DataBits)
	case l.Parity != "none" && l.Parity != "even" && l.Parity != "odd":
		return fmt.Errorf("parity %q: want none, even or odd", l.Parity)
	case l.DataBits == 7 && l.Parity == "none":
		return fmt.Errorf("7 data bits need a parity")
	}
	return nil
}

// parityBit is the bit that makes the number of ones in b and itself even or odd.
func (l LineSettings) parityBit(b byte) byte {
	ones := byte(bits.OnesCount8(b)) & 1
	if l.Parity == "odd" {
		return 1 - ones
	}
	return ones
}

// onWire adds the parity of seven-bit characters as bit 7, where a reader with eight data bits sees it.
func (l LineSettings) onWire(b []byte) []byte {
	if l.DataBits != 7 {
		return b
	}
	out := make([]byte, len(b))
	for i, x := range b {
		x &= 0x7f
		out[i] = x | l.parityBit(x)<<7
	}
	return out
}

// offWire clears bit 7, which is not data for a sensor with seven data bits.
func (l LineSettings) offWire(b []byte) []byte {
	if l.DataBits != 7 {
		return b
	}
	out := make([]byte, len(b))
	for i, x := range b {
		out[i] = x & 0x7f
	}
	return out
}

// received is one character as a UART delivers it.
type received struct {
	b   byte
	bad bool // stop bit low, or parity wrong
}

// garble is what a receiver at one speed makes of characters sent back to back at another speed: it samples the sender's line
// level where it expects its own bits.
func (l LineSettings) garble(sent []byte, fromBaud, toBaud int) []received {
	levels := l.levels(sent)
	level := func(bit float64) bool { // bit counts the sender's bits; the line idles high
		return bit >= float64(len(levels)) || levels[int(bit)]
	}
	// A receiver samples the line 16 times per bit, so it finds an edge half a sample late on average.
	step := float64(fromBaud) / float64(toBaud)
	late := step / 32
	data := 8
	if l.DataBits == 8 && l.Parity != "none" {
		data = 9 // the ninth bit is the parity
	}
	var got []received
	for bit := 0.0; ; {
		edge := fallingEdge(levels, bit)
		if edge < 0 {
			return got
		}
		at := func(n int) bool { return level(float64(edge) + late + (float64(n)+0.5)*step) }
		if at(0) { // high again by the middle of the start bit: a spike
			bit = float64(edge) + step/2
			continue
		}
		var r received
		for n := range 8 {
			if at(1 + n) {
				r.b |= 1 << n
			}
		}
		r.bad = !at(1 + data)
		if data == 9 && at(9) != (l.parityBit(r.b) == 1) {
			r.bad = true
		}
		got = append(got, r)
		bit = float64(edge) + late + (float64(1+data)+0.5)*step
	}
}

// levels is the level of the sender's line per bit: start, data from the lowest bit, parity of 8E1 and 8O1, stop.
func (l LineSettings) levels(sent []byte) []bool {
	var levels []bool
	for _, b := range sent {
		levels = append(levels, false)
		for n := range 8 {
			levels = append(levels, b>>n&1 == 1)
		}
		if l.DataBits == 8 && l.Parity != "none" {
			levels = append(levels, l.parityBit(b) == 1)
		}
		levels = append(levels, true)
	}
	return levels
}

// fallingEdge is the first bit at or after from that is low after the line was high, −1 when there is none. A receiver that
// starts in the middle of a low level waits for the next high level.
func fallingEdge(levels []bool, from float64) int {
	high := from == 0 // idle before the first
	for i := int(from); i < len(levels); i++ {
		if high && !levels[i] {
			return i
		}
		high = high || levels[i]
	}
	return -1
}
