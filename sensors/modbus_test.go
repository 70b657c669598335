package sensors

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"bayfill/fillcalc"
)

type modbusFile struct {
	CRC    string                                     `json:"crc16_of_ascii_123456789"`
	Frames []struct{ What, Frame, Provenance string } `json:"frames"`
	Floats []map[string]any                           `json:"float32"`
}

func modbusFrames(t testing.TB) (file modbusFile, by map[string][]byte) {
	t.Helper()
	frames(t, "modbus_frames.json", &file)
	by = map[string][]byte{}
	for _, f := range file.Frames {
		by[f.What] = unhex(t, f.Frame)
	}
	return file, by
}

// Modbus over Serial Line 1.02, 6.2.2: the checksum. Check value of the ASCII
// digits: 4B37, seen in public sources; the frames as the file says of each.
func TestModbusChecksum(t *testing.T) {
	file, _ := modbusFrames(t)
	if got := fmt.Sprintf("%04X", crc16([]byte("123456789"))); got != "4B37" || got != file.CRC {
		t.Errorf("check value %s, want 4B37", got)
	}
	if len(file.Frames) != 12 {
		t.Errorf("%d frames in the file, want 12", len(file.Frames))
	}
	for _, f := range file.Frames {
		frame := unhex(t, f.Frame)
		if got := appendCRC(bytes.Clone(frame[:len(frame)-2])); !bytes.Equal(got, frame) {
			t.Errorf("%s: % X, want % X", f.What, got, frame)
		}
	}
}

// Modbus Application Protocol 1.1b3, 6.3 and 6.4: unit, function, address,
// count. The published requests are for ten or three registers, which this package
// never requests, and agree up to the count.
func TestModbusRequest(t *testing.T) {
	_, by := modbusFrames(t)
	tests := []struct {
		what  string
		o     Options
		equal int
	}{
		{"unit 1, function 4, start 0, 2 registers", Options{Unit485: 1, Input: true, Type: "float32"}, 8},
		{"unit 1, function 4, start 0, 2 registers", Options{Unit485: 1, Input: true, Type: "uint32"}, 8},
		{"unit 1, function 3, start 0, 10 registers", Options{Unit485: 1, Type: "int16"}, 5},
		{"unit 2, function 3, start 0, 10 registers", Options{Unit485: 2, Type: "int32"}, 5},
		{"unit 3, function 3, start 0, 10 registers", Options{Unit485: 3, Type: "uint16"}, 5},
		{"unit 17, function 3, start 0x006B, 3 registers", Options{Unit485: 17, Register: 0x6B, Type: "float32"}, 5},
	}
	for _, test := range tests {
		test.o.Quantity, test.o.Unit = Weight, "kg"
		p := mustNew(t, "modbus", test.o)
		want := by[test.what]
		if len(p.Poll) != 8 || !bytes.Equal(p.Poll[:test.equal], want[:test.equal]) {
			t.Errorf("%s: asked % X, want % X", test.what, p.Poll, want)
		}
		count := byte(1)
		if strings.HasSuffix(test.o.Type, "32") {
			count = 2
		}
		if p.Poll[5] != count || crc16(p.Poll) != 0 {
			t.Errorf("%s: % X", test.o.Type, p.Poll)
		}
		if p.Start != nil || p.SkipFirst {
			t.Errorf("%s: replies with a checksum need neither Start nor SkipFirst", test.what)
		}
	}
}

// Replies of the file (computed from Modbus over Serial Line 1.02).
func TestModbusReplies(t *testing.T) {
	_, by := modbusFrames(t)
	float := Options{Quantity: Weight, Unit: "kg", Unit485: 1, Input: true, Type: "float32"}
	swapped := float
	swapped.Order = "CDAB"
	tenths := Options{Quantity: Temperature, Unit: "C", Unit485: 1, Type: "int16", Exponent: -1}
	tests := []struct {
		what string
		o    Options
		want outcome
	}{
		{"reply: float32 80.0 big-endian words (ABCD)", float, good(80, 0)},
		{"reply: float32 80.0 swapped words (CDAB)", swapped, good(80, 0)},
		{"unit 1, function 3, one register 250 (25.0 in tenths)", tenths, good(25, 0)},
		{"unit 1, function 3, one register -55 (-5.5 in tenths, two's complement)", tenths, good(-5.5, 0)},
		{"exception 2 (illegal data address) to function 3", tenths, bad(fillcalc.FaultSensor, "exception", 2)},
	}
	for _, test := range tests {
		frame, ok := by[test.what]
		if !ok {
			t.Errorf("%s: not in the file", test.what)
			continue
		}
		p := mustNew(t, "modbus", test.o)
		advance, found := p.Split(frame)
		if advance != len(frame) || !bytes.Equal(found, frame) {
			t.Errorf("%s: Split took %d bytes as % X", test.what, advance, found)
			continue
		}
		r, err := p.Parse(found)
		same(t, frame, test.o.Quantity, r, err, test.want)
	}
	p := mustNew(t, "modbus", tenths)
	_, err := p.Parse(by["exception 2 (illegal data address) to function 3"])
	if err == nil || !strings.Contains(err.Error(), "code 2: it has no such register") {
		t.Errorf("exception 2: %v", err)
	}
	// A reply to another program's request for three registers is not our frame.
	other := by["reply to it: AE41 5652 4340"]
	p = mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 17, Type: "float32"})
	take(t, p, [][]byte{other}, func(frame []byte, r Reading, err error) {
		t.Errorf("a foreign reply was taken: % X, %v", frame, err)
	})
}

// Modbus Application Protocol 1.1b3, 7: exception codes 1 to 4 and 6. From
// memory, not checked against the text.
func TestModbusExceptionsAreNamed(t *testing.T) {
	p := mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 9, Type: "int16"})
	said := map[string]byte{}
	for _, code := range []byte{1, 2, 3, 4, 6} {
		frame := appendCRC([]byte{9, 0x83, code})
		r, err := p.Parse(frame)
		same(t, frame, Weight, r, err, bad(fillcalc.FaultSensor, "exception", 2))
		if err == nil {
			continue
		}
		_, text, _ := strings.Cut(err.Error(), fmt.Sprintf("code %d: ", code))
		if other, twice := said[text]; twice || text == "" || text == exceptionText(0) {
			t.Errorf("code %d: %q (also the text of %d)", code, err, other)
		}
		said[text] = code
	}
}

// Order of the four bytes of an IEEE 754 single: the file's table (computed; the
// names are common practice, the standard defines none).
func TestModbusByteOrders(t *testing.T) {
	file, _ := modbusFrames(t)
	orders := []string{"ABCD", "CDAB", "BADC", "DCBA"}
	checked := 0
	for _, row := range file.Floats {
		want := row["value"].(float64)
		for _, order := range orders {
			data := unhex(t, row[order].(string))
			for _, kind := range []string{"float32", "uint32", "int32"} {
				p := mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: kind, Order: order})
				frame := appendCRC(append([]byte{1, 3, 4}, data...))
				r, err := p.Parse(frame)
				expect := want
				switch kind {
				case "uint32":
					expect = float64(math.Float32bits(float32(want)))
				case "int32":
					expect = float64(int32(math.Float32bits(float32(want))))
				}
				same(t, frame, Weight, r, err, good(expect, 0))
				checked++
			}
		}
	}
	if checked != 5*4*3 {
		t.Errorf("%d checks, want 60", checked)
	}
	// In one register only the two bytes can be swapped. (Common practice.)
	for order, want := range map[string]float64{"": 0x00FA, "ABCD": 0x00FA, "CDAB": 0x00FA, "BADC": 0xFA00, "DCBA": 0xFA00} {
		p := mustNew(t, "modbus", Options{Quantity: Weight, Unit: "g", Unit485: 1, Type: "uint16", Order: order})
		frame := appendCRC([]byte{1, 3, 2, 0x00, 0xFA})
		r, err := p.Parse(frame)
		same(t, frame, Weight, r, err, good(want/1000, 0))
	}
}

// Composed from the frame layout of Modbus over Serial Line 1.02.
func TestModbusFaults(t *testing.T) {
	o := Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "float32"}
	float := func(bits uint32) []byte {
		return appendCRC([]byte{1, 3, 4, byte(bits >> 24), byte(bits >> 16), byte(bits >> 8), byte(bits)})
	}
	damaged := float(math.Float32bits(12.5))
	damaged[4] ^= 1
	tests := []struct {
		frame []byte
		want  outcome
	}{
		{damaged, bad(fillcalc.FaultChecksum, "crc", 7)},
		{[]byte{1, 3, 4, 0}, bad(fillcalc.FaultFrame, "frame", 4)},
		{nil, bad(fillcalc.FaultFrame, "frame", 0)},
		{appendCRC([]byte{2, 3, 4, 0, 0, 0, 0}), bad(fillcalc.FaultFrame, "unit", 0)},
		{appendCRC([]byte{1, 4, 4, 0, 0, 0, 0}), bad(fillcalc.FaultFrame, "function", 1)},
		{appendCRC([]byte{1, 3, 2, 0, 0}), bad(fillcalc.FaultFrame, "function", 1)},
		{appendCRC([]byte{1, 0x84, 2}), bad(fillcalc.FaultFrame, "function", 1)},
		{float(math.Float32bits(float32(math.Inf(1)))), bad(fillcalc.FaultSensor, "value", 3)},
		{float(math.Float32bits(float32(math.Inf(-1)))), bad(fillcalc.FaultSensor, "value", 3)},
		{float(0x7FC00000), bad(fillcalc.FaultSensor, "value", 3)}, // quiet NaN, IEEE 754
		{float(0x7F800001), bad(fillcalc.FaultSensor, "value", 3)}, // signalling NaN
		{float(math.Float32bits(-2e9)), bad(fillcalc.FaultSensor, "value", 3)},
		{float(1), good(1e-45, 0)}, // the smallest subnormal, by its shortest decimal
		{float(0x80000000), good(0, 0)},
		// The shortest decimal that identifies the single is meant, not its binary expansion.
		{float(math.Float32bits(12.34)), good(12.34, 0)},
	}
	p := mustNew(t, "modbus", o)
	for _, test := range tests {
		r, err := p.Parse(test.frame)
		same(t, test.frame, Weight, r, err, test.want)
	}
	// A CRC-16 detects every single flipped bit.
	whole := float(math.Float32bits(12.5))
	for bit := range len(whole) * 8 {
		flipped := bytes.Clone(whole)
		flipped[bit/8] ^= 1 << (bit % 8)
		if r, err := p.Parse(flipped); err == nil {
			t.Errorf("bit %d flipped: read as %g", bit, r.Value)
		}
	}
}

// A register's number, scaled. Integer limits are those of two's
// complement; pounds by NIST SP 811 (2008), Appendix B.
func TestModbusScaledNumbers(t *testing.T) {
	tests := []struct {
		kind string
		data []byte
		o    Options
		want outcome
	}{
		{"int16", []byte{0x80, 0x00}, Options{Unit: "g"}, good(-32.768, 0)},
		{"uint16", []byte{0x80, 0x00}, Options{Unit: "g"}, good(32.768, 0)},
		{"int32", []byte{0xFF, 0xFF, 0xFF, 0x9C}, Options{Unit: "lb", Exponent: -2}, good(-0.45359237, 0)},
		{"uint32", []byte{0xFF, 0xFF, 0xFF, 0xFF}, Options{Unit: "kg", Exponent: -6}, good(4294.967295, 0)},
		{"int16", []byte{0x00, 0x03}, Options{Unit: "kg", Exponent: 2}, good(300, 0)},
		{"float32", []byte{0x41, 0xBC, 0x00, 0x00}, Options{Unit: "kg", Exponent: -1}, good(2.35, 0)}, // 23.5 of the file's table
		{"int32", []byte{0x00, 0x01, 0x86, 0xA0}, Options{KgPerCount: 0.5, CountsAtZero: 99990}, good(5, 0)},
		{"int32", []byte{0x00, 0x01, 0x86, 0xA0}, Options{KgPerCount: 0.5, CountsAtZero: 99900, CapacityKg: 30}, bad(fillcalc.FaultOverload, "counts", 3)},
		{"int16", []byte{0x75, 0x30}, Options{Unit: "kg", CapacityKg: 30}, bad(fillcalc.FaultOverload, "value", 3)},
	}
	for _, test := range tests {
		test.o.Quantity, test.o.Unit485, test.o.Type = Weight, 1, test.kind
		p := mustNew(t, "modbus", test.o)
		frame := appendCRC(append([]byte{1, 3, byte(len(test.data))}, test.data...))
		r, err := p.Parse(frame)
		same(t, frame, Weight, r, err, test.want)
	}
}

// An adapter of a two-wire bus may receive what it sends (common practice, no
// source). The echo of the request is skipped, even if its address looks like the
// byte count of a reply: 0x04xx for four bytes, 0x02xx for two.
func TestModbusEcho(t *testing.T) {
	for _, register := range []int{0, 0x0103, 0x0200, 0x0203, 0x0400, 0x0401, 0x04FF, 0xFFFF} {
		for _, kind := range []string{"int16", "uint32"} {
			o := Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: kind, Register: register, Exponent: -3}
			p := mustNew(t, "modbus", o)
			reply := appendCRC([]byte{1, 3, 2, 0x04, 0xE2})
			if kind == "uint32" {
				reply = appendCRC([]byte{1, 3, 4, 0, 0, 0x04, 0xE2})
			}
			stream := bytes.Repeat(append(bytes.Clone(p.Poll), reply...), 3)
			for _, pieces := range [][][]byte{{stream}, singly(stream)} {
				got := 0
				take(t, p, pieces, func(frame []byte, r Reading, err error) {
					same(t, frame, Weight, r, err, good(1.25, 0))
					got++
				})
				if got != 3 {
					t.Errorf("%s, register %#04x: %d of 3 replies found", kind, register, got)
				}
			}
		}
	}
}

func TestModbusOptions(t *testing.T) {
	right := Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "int16"}
	tests := []struct {
		option string
		change func(*Options)
	}{
		{"", func(*Options) {}},
		{"", func(o *Options) { o.Unit485, o.Register, o.Exponent = 247, 65535, -9 }},
		{"unit_id", func(o *Options) { o.Unit485 = 0 }}, // broadcast: nobody answers
		{"unit_id", func(o *Options) { o.Unit485 = 248 }},
		{"register", func(o *Options) { o.Register = -1 }},
		{"register", func(o *Options) { o.Register = 65536 }},
		{"type", func(o *Options) { o.Type = "" }},
		{"type", func(o *Options) { o.Type = "float64" }},
		{"order", func(o *Options) { o.Order = "ACBD" }},
		{"unit", func(o *Options) { o.Unit = "" }},
		{"exponent", func(o *Options) { o.Exponent = 10 }},
		{"exponent", func(o *Options) { o.Exponent = -10 }},
		{"kg_per_count", func(o *Options) { o.KgPerCount, o.Type = 1e-3, "float32" }},
		{"kg_per_count", func(o *Options) { o.KgPerCount, o.Quantity, o.Unit = 1e-3, Temperature, "C" }},
		{"kg_per_count", func(o *Options) { o.KgPerCount = math.NaN() }},
		{"counts_at_zero", func(o *Options) { o.KgPerCount, o.CountsAtZero = 1, math.NaN() }},
	}
	for i, test := range tests {
		o := right
		test.change(&o)
		_, err := New("modbus", o)
		if test.option == "" && err != nil || test.option != "" && (err == nil || !strings.HasPrefix(err.Error(), test.option+":")) {
			t.Errorf("%d: %v, want an error about %q", i, err, test.option)
		}
		var fe *frameError
		if errors.As(err, &fe) {
			t.Errorf("%d: a wrong option must not be a frame error", i)
		}
	}
}
