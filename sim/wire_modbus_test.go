package sim

import (
	"encoding/hex"
	"math"
	"strings"
	"testing"
)

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sealed returns a request in hexadecimal with its CRC added.
func sealed(t *testing.T, s string) []byte { return appendModbusCRC(unhex(t, s)) }

// Check value of CRC-16/MODBUS, and frames with their CRC, seen in many public sources.
func TestModbusCRC(t *testing.T) {
	if got := modbusCRC([]byte("123456789")); got != 0x4B37 {
		t.Errorf("check value %04X", got)
	}
	for _, frame := range []string{
		"01 03 00 00 00 0A C5 CD", "02 03 00 00 00 0A C5 FE", "03 03 00 00 00 0A C4 2F", "01 06 00 01 00 03 98 0B",
		"11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD",
	} {
		b := unhex(t, frame)
		if got := appendModbusCRC(b[: len(b)-2 : len(b)-2]); string(got) != string(b) {
			t.Errorf("% X, want %s", got, frame)
		}
	}
}

// Requests and replies of Modbus Application Protocol 1.1b3; bytes computed independently from its layout.
func TestModbusReplies(t *testing.T) {
	celsius := func(c float64) Sample { return Sample{IsTemp: true, Celsius: c} }
	float := ModbusWire{Unit: 1, Function: 4, Type: "float32", Order: "ABCD"}
	swapped := ModbusWire{Unit: 1, Function: 4, Type: "float32", Order: "CDAB"}
	tenths := ModbusWire{Unit: 1, Function: 3, Type: "int16", Order: "ABCD", Scale: 0.1}
	for _, c := range []struct {
		w              ModbusWire
		s              Sample
		request, reply string
	}{
		{float, celsius(80), "01 04 00 00 00 02 71 CB", "01 04 04 42 A0 00 00 EF DE"},
		{swapped, celsius(80), "01 04 00 00 00 02 71 CB", "01 04 04 00 00 42 A0 CB 5C"},
		{tenths, celsius(25), "01 03 00 00 00 01 84 0A", "01 03 02 00 FA 38 07"},
		{tenths, celsius(-5.5), "01 03 00 00 00 01 84 0A", "01 03 02 FF C9 39 E2"},
		{ModbusWire{Unit: 1, Function: 3, Address: 50, Type: "int16", Order: "ABCD"}, celsius(25), "01 03 00 00 00 0A C5 CD", "01 83 02 C0 F1"},
	} {
		if err := c.w.check(); err != nil {
			t.Error(err)
		}
		got, used := c.w.Answer(unhex(t, c.request), c.s)
		if used != 8 || string(got) != string(unhex(t, c.reply)) {
			t.Errorf("%s: used %d, % X, want %s", c.request, used, got, c.reply)
		}
	}
}

// IEEE 754 singles in the four orders (computed independently), and integers.
func TestModbusOrders(t *testing.T) {
	orders := []string{"ABCD", "CDAB", "BADC", "DCBA"}
	for value, want := range map[float64][4]string{
		80:     {"42A00000", "000042A0", "A0420000", "0000A042"},
		23.5:   {"41BC0000", "000041BC", "BC410000", "0000BC41"},
		-10.25: {"C1240000", "0000C124", "24C10000", "000024C1"},
		123456: {"47F12000", "200047F1", "F1470020", "0020F147"},
	} {
		for i, order := range orders {
			w := ModbusWire{Type: "float32", Order: order}
			if got := w.registers(Sample{Kg: value}); string(got) != string(unhex(t, want[i])) {
				t.Errorf("%v %s: % X, want %s", value, order, got, want[i])
			}
		}
	}
	over := Sample{Kg: 40, Over: true}
	under := Sample{Kg: -2, Under: true}
	for _, c := range []struct {
		w    ModbusWire
		s    Sample
		want string
	}{
		{ModbusWire{Type: "int16", Order: "ABCD", Scale: 0.001}, weighed(1.25), "04E2"},
		{ModbusWire{Type: "int16", Order: "CDAB", Scale: 0.001}, weighed(1.25), "04E2"},
		{ModbusWire{Type: "int16", Order: "BADC", Scale: 0.001}, weighed(1.25), "E204"},
		{ModbusWire{Type: "int16", Order: "ABCD", Scale: 0.0001}, weighed(5), "7FFF"}, // does not fit
		{ModbusWire{Type: "int16", Order: "ABCD"}, under, "8000"},
		{ModbusWire{Type: "int16", Order: "ABCD"}, Sample{IsTemp: true, Celsius: math.NaN()}, "8000"},
		{ModbusWire{Type: "int32", Order: "ABCD", Scale: 0.001}, weighed(100.001), "000186A1"},
		{ModbusWire{Type: "int32", Order: "CDAB", Scale: 0.001}, weighed(-0.001), "FFFFFFFF"},
		{ModbusWire{Type: "int32", Order: "CDAB", Scale: 0.001}, weighed(100.001), "86A10001"},
		{ModbusWire{Type: "int32", Order: "ABCD"}, over, "7FFFFFFF"},
		{ModbusWire{Type: "float32", Order: "ABCD"}, Sample{IsTemp: true, Celsius: 80, Kg: 1}, "42A00000"},
	} {
		if got := c.w.registers(c.s); string(got) != string(unhex(t, c.want)) {
			t.Errorf("%+v %+v: % X, want %s", c.w, c.s, got, c.want)
		}
	}
	if b := (&ModbusWire{Type: "float32", Order: "ABCD"}).registers(over); !math.IsNaN(float64(math.Float32frombits(uint32(b[0])<<24 | uint32(b[1])<<16 | uint32(b[2])<<8 | uint32(b[3])))) {
		t.Errorf("over capacity as float: % X", b)
	}
}

func TestModbusCoversAndRefuses(t *testing.T) {
	w := &ModbusWire{Unit: 5, Function: 3, Address: 100, Type: "float32", Order: "ABCD"}
	for _, c := range []struct{ request, reply string }{
		{"05 03 00 64 00 02", "05 03 04 41 BC 00 00"},
		{"05 03 00 63 00 04", "05 03 08 00 00 41 BC 00 00 00 00"},
		{"05 03 00 64 00 01", "05 83 02"}, // half of the value
		{"05 03 00 65 00 02", "05 83 02"},
		{"05 03 FF FF 00 02", "05 83 02"}, // beyond the last register
		{"05 03 00 64 00 00", "05 83 03"},
		{"05 03 00 64 00 7E", "05 83 03"},                // 126 registers
		{"05 04 00 64 00 02", "05 84 01"},                // the other kind of register
		{"05 06 00 64 00 02", "05 86 01"},                // write
		{"05 10 00 64 00 02 04 00 00 00 00", "05 90 01"}, // write several registers
		{"05 2B 0E 01 00", "05 AB 01"},                   // the length follows from the CRC only
	} {
		request := sealed(t, c.request)
		got, used := w.Answer(request, weighed(23.5))
		if want := sealed(t, c.reply); used != len(request) || string(got) != string(want) {
			t.Errorf("%s: used %d, % X, want % X", c.request, used, got, want)
		}
		if w.Stream(weighed(1)) != nil {
			t.Error("a slave speaks unasked")
		}
	}
}

func TestModbusSettingsAreChecked(t *testing.T) {
	good := ModbusWire{Unit: 1, Function: 3, Type: "int16", Order: "ABCD"}
	for name, spoil := range map[string]func(w *ModbusWire){
		"broadcast": func(w *ModbusWire) { w.Unit = 0 }, "reserved": func(w *ModbusWire) { w.Unit = 248 },
		"coils": func(w *ModbusWire) { w.Function = 1 }, "type": func(w *ModbusWire) { w.Type = "int8" },
		"order": func(w *ModbusWire) { w.Order = "ABDC" },
	} {
		bad := good
		spoil(&bad)
		if bad.check() == nil {
			t.Errorf("%s passes", name)
		}
	}
	for _, w := range []ModbusWire{good, {Unit: 247, Function: 4, Type: "int32", Order: "BADC"}, {Unit: 1, Function: 4, Type: "float32", Order: "CDAB"}, {Unit: 1, Function: 4, Type: "float32", Order: "DCBA"}} {
		if err := w.check(); err != nil {
			t.Error(err)
		}
	}
}

func TestModbusFindsItsFrames(t *testing.T) {
	w := &ModbusWire{Unit: 5, Function: 3, Type: "int16", Order: "ABCD"}
	good := sealed(t, "05 03 00 00 00 01")
	want := string(sealed(t, "05 03 02 00 07"))
	for name, before := range map[string][]byte{
		"nothing": nil, "rubbish": unhex(t, "00 FF 05 03"), "another unit's request": sealed(t, "06 03 00 00 00 01"),
		"a broken request": unhex(t, "05 03 00 00 00 01 00 00"), "a broadcast": sealed(t, "00 06 00 00 00 01"),
	} {
		for n := range len(good) - 1 { // incomplete
			if reply, used := w.Answer(append(before[:len(before):len(before)], good[:n]...), weighed(7)); reply != nil || used != 0 {
				t.Errorf("%s and %d bytes: used %d, % X", name, n, used, reply)
			}
		}
		all := append(before[:len(before):len(before)], good...)
		if reply, used := w.Answer(all, weighed(7)); used != len(all) || string(reply) != want {
			t.Errorf("behind %s: used %d, % X", name, used, reply)
		}
	}
	if reply, used := w.Answer(make([]byte, 1000), weighed(7)); reply != nil || used != 744 {
		t.Errorf("of 1000 zeros %d are dropped, reply % X", used, reply)
	}
}
