package sim

import (
	"fmt"
	"testing"
)

// heard writes characters in hexadecimal and marks bad ones.
func heard(got []received) string {
	s := ""
	for _, r := range got {
		s += fmt.Sprintf("%02X", r.b)
		if r.bad {
			s += "!"
		}
		s += " "
	}
	return s
}

// Worked out by hand on the bit stream: start low, eight bits from the lowest, stop high. The receiver samples the middle of
// its own bits.
func TestWrongSpeed(t *testing.T) {
	for _, c := range []struct {
		line     LineSettings
		sent     string
		from, to int
		want     string
	}{
		{LineSettings{}, "ST", 9600, 9600, "53 54 "},
		{LineSettings{}, "ST", 9600, 9615, "53 54 "}, // within what a UART tolerates
		// One low bit is two bits of the receiver: its start bit and its lowest bit.
		{LineSettings{}, "\xff", 9600, 19200, "FE "},
		// Nine low bits are eighteen: a break, that is one zero byte without a stop bit, then idle.
		{LineSettings{}, "\x00", 9600, 19200, "00! "},
		// 0 | 0 0 0 0 1 1 1 1 | 1 at half the speed: start, then every second: 0 1 1 and idle line.
		{LineSettings{}, "\xf0", 9600, 4800, "FE "},
		// 0 | 1 0 1 0 1 0 1 0 | 1: in the middle of each start bit the line is high again.
		{LineSettings{}, "\x55", 9600, 4800, ""},
		// 0 | 1 1 0 0 1 0 1 0 | 1 with every bit twice: 0 | 0 1 1 1 1 0 0 0 | 0 is bad; after the next high, from the sender's
		// sixth data bit on, 0 | 0 1 1 0 0 1 1 1 | 1.
		{LineSettings{}, "\x53", 9600, 19200, "1E! E6 "},
		// Parity between data and stop is one more bit. 0 | 1 1 1 1 1 1 1 1 | 0 | 1 at double speed: FE with the parity bit
		// high, which seven ones need to be even; then the sender's parity bit looks like another start.
		{LineSettings{DataBits: 8, Parity: "even"}, "\x01\x03", 9600, 9600, "01 03 "},
		{LineSettings{DataBits: 8, Parity: "even"}, "\xff", 9600, 19200, "FE FE "},
		// With odd parity that bit is high: no second start, but FE with it has eight ones.
		{LineSettings{DataBits: 8, Parity: "odd"}, "\xff", 9600, 19200, "FE! "},
	} {
		got := heard(c.line.withDefaults().garble([]byte(c.sent), c.from, c.to))
		if got != c.want {
			t.Errorf("%+v %q sent at %d, heard at %d: %q, want %q", c.line, c.sent, c.from, c.to, got, c.want)
		}
	}
}

// Seven bits with even parity read as eight bits: letters with an odd number of ones have bit 7 set (counted by hand).
func TestSevenBitsShowTheirParity(t *testing.T) {
	even := LineSettings{DataBits: 7, Parity: "even"}
	odd := LineSettings{DataBits: 7, Parity: "odd"}
	if got := fmt.Sprintf("% X", even.onWire([]byte("ST,1\r\n"))); got != "53 D4 AC B1 8D 0A" {
		t.Errorf("even: %s", got)
	}
	if got := fmt.Sprintf("% X", odd.onWire([]byte("ST"))); got != "D3 54" {
		t.Errorf("odd: %s", got)
	}
	if got := string(even.offWire([]byte("\xd3T"))); got != "ST" {
		t.Errorf("taken off: %q", got)
	}
	eight := LineSettings{}.withDefaults()
	if got := string(eight.onWire([]byte("\xd4S"))) + string(eight.offWire([]byte("\xd4S"))); got != "\xd4S\xd4S" {
		t.Errorf("eight bits: %q", got)
	}
}

func TestLineSettingsAreChecked(t *testing.T) {
	for _, good := range []LineSettings{{}, {Baud: 1200}, {Baud: 115200, DataBits: 7, Parity: "odd"}, {DataBits: 8, Parity: "even"}} {
		if err := good.withDefaults().check(); err != nil {
			t.Errorf("%+v: %v", good, err)
		}
	}
	for _, bad := range []LineSettings{{Baud: 9601}, {DataBits: 6}, {Parity: "mark"}, {DataBits: 7}} {
		if bad.withDefaults().check() == nil {
			t.Errorf("%+v passes", bad)
		}
	}
}
