package sim

import (
	"fmt"
	"math/bits"
)

// LineSettings are the sensor's own. The zero value is 9600 8N1; there is always one stop bit.
//
// On a pseudo-terminal the reader's speed counts: when it is another one, each side receives what a real UART would, and
// when it is the same, the bytes as they are. Data bits and parity cannot be compared, because the kernel keeps neither
// for a pseudo-terminal. Both sides are taken to agree on them, with one thing left over: a sensor with seven data bits
// shows its parity in bit 7, as a reader set to eight bits sees it on a real line, whatever the reader chose.
type LineSettings struct {
	Baud     int    // 0 is 9600
	DataBits int    // 7 or 8; 0 is 8. Seven need a parity
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

// parityBit is what the sender adds to b so that the ones are even or odd in number.
func (l LineSettings) parityBit(b byte) byte {
	ones := byte(bits.OnesCount8(b)) & 1
	if l.Parity == "odd" {
		return 1 - ones
	}
	return ones
}

// onWire puts the parity of seven-bit characters where a reader of eight bits finds it.
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

// offWire takes off bit 7, which a sensor of seven bits does not see as data.
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

// garble is what a receiver at one speed makes of characters sent back to back at another: the sender's line level is
// looked at where the receiver expects its bits.
func (l LineSettings) garble(sent []byte, fromBaud, toBaud int) []received {
	levels := l.levels(sent)
	level := func(bit float64) bool { // bit counts the sender's bits; the line idles high
		return bit >= float64(len(levels)) || levels[int(bit)]
	}
	// A receiver clocks the line 16 times a bit and so finds an edge half a tick late on average.
	step := float64(fromBaud) / float64(toBaud)
	late := step / 32
	data := 8
	if l.DataBits == 8 && l.Parity != "none" {
		data = 9 // the ninth is the parity
	}
	var got []received
	for bit := 0.0; ; {
		edge := fallingEdge(levels, bit)
		if edge < 0 {
			return got
		}
		at := func(n int) bool { return level(float64(edge) + late + (float64(n)+0.5)*step) }
		if at(0) { // gone again by the middle of the start bit: a spike
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

// levels is the sender's line, one entry per bit: start, data from the lowest bit, parity of 8E1 and 8O1, stop.
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

// fallingEdge is the first bit from a point on that is low after the line was high, −1 when there is none. A receiver that
// is left in the middle of a low waits for the high first.
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
