package sensors

import (
	"bytes"
	"encoding/binary"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// splitAndParse checks what every protocol promises for any bytes: Split advances
// or asks for more and stays inside the data, each frame parses to a sound reading,
// and the good values do not depend on how the bytes arrive.
func splitAndParse(t *testing.T, p Protocol, q Quantity, data []byte) {
	r, err := p.Parse(data) // not only what Split lets through
	sound(t, data, q, r, err)
	values := func(pieces [][]byte) (list []float64) {
		take(t, p, pieces, func(frame []byte, r Reading, err error) {
			sound(t, frame, q, r, err)
			if err == nil {
				list = append(list, r.Value)
			}
		})
		return list
	}
	whole, single := values([][]byte{data}), values(singly(data))
	if !slices.Equal(whole, single) {
		t.Errorf("%q: %v whole, %v byte by byte", data, whole, single)
	}
}

var massUnits = []string{"", "kg", "g", "lb", "oz"}

func FuzzSMA(f *testing.F) {
	for _, seed := range []string{
		"\n 1G       5.025lb \r", "\n_1N______-0.005kg_\r", "\nE1GM ----------kg \r", "\n?\r\n!\r", "\n\n 1G\r\r",
		"\n 1G     1234567   \r", "\nO1G      31.250kg \r\n 1g 9999999999oz \r", "\n" + strings.Repeat("x", 70),
	} {
		f.Add([]byte(seed), byte(len(seed)))
	}
	f.Fuzz(func(t *testing.T, data []byte, choice byte) {
		o := Options{Quantity: Weight, Unit: massUnits[int(choice)%len(massUnits)]}
		if choice >= 128 {
			o.CapacityKg = 30
		}
		splitAndParse(t, mustNew(t, "sma", o), Weight, data)
	})
}

// FuzzLine also varies the pattern, because users write their own.
func FuzzLine(f *testing.F) {
	for _, p := range Patterns {
		f.Add(p.Name, []byte(p.Example+"\r\n"+p.Example+"\n"), byte(0), byte(0), 1.0, byte(1))
		f.Add(p.Expression, []byte(p.Example), byte(3), byte(len(p.Example)), 1e-5, byte(0))
	}
	f.Add(`(?P<counts>.*)`, []byte("1.5e3\n"), byte(9), byte(0), 1e300, byte(1))
	f.Add(`(?P<value>[^k]*)(?P<unit>.*)`, []byte("- 12,5kg\r"), byte(0), byte(8), 0.0, byte(4))
	f.Add(`(?P<overload>O)?(?P<value>)|x`, []byte("x\nO\n\n"), byte(0), byte(0), 0.0, byte(2))
	f.Add("value", []byte(strings.Repeat("7", 450)+"\r\n99999999999999999999\r\n\x00"), byte(0), byte(0), 0.0, byte(3))
	f.Fuzz(func(t *testing.T, pattern string, data []byte, decimals, width byte, slope float64, choice byte) {
		o := Options{Quantity: Weight, Pattern: pattern, Decimals: int(decimals), Width: int(width), KgPerCount: slope}
		o.Unit = massUnits[int(choice)%len(massUnits)]
		if choice >= 128 {
			o.Quantity, o.Unit = Temperature, []string{"", "C", "F", "K"}[choice%4]
		}
		p, err := New("line", o)
		if err != nil {
			return
		}
		splitAndParse(t, p, o.Quantity, data)
	})
}

func FuzzModbus(f *testing.F) {
	_, by := modbusFrames(f)
	for _, frame := range by {
		f.Add(frame, byte(1), byte(4), byte(0), uint16(0), 0.0)
		f.Add(append(bytes.Clone(frame[:4]), frame...), byte(1), byte(0), byte(1), uint16(0x0400), 1e-3)
	}
	for _, bits := range []uint32{0, 1, 0x7FC00000, 0x7F800000, 0xFF7FFFFF, math.Float32bits(12.34)} {
		f.Add(appendCRC(binary.BigEndian.AppendUint32([]byte{1, 3, 4}, bits)), byte(1), byte(4), byte(2), uint16(4), 0.0)
	}
	kinds := []string{"int16", "uint16", "int32", "uint32", "float32"}
	orders := []string{"", "ABCD", "CDAB", "BADC", "DCBA"}
	f.Fuzz(func(t *testing.T, data []byte, unit, kind, order byte, register uint16, slope float64) {
		o := Options{Quantity: Weight, Unit: massUnits[int(order)%len(massUnits)], Unit485: int(unit), Register: int(register),
			Type: kinds[int(kind)%len(kinds)], Order: orders[int(order)%len(orders)], KgPerCount: slope,
			Exponent: int(register % 10), Input: kind >= 128}
		if order >= 128 {
			o.Quantity, o.Unit = Temperature, []string{"", "C", "F", "K"}[order%4]
		}
		p, err := New("modbus", o)
		if err != nil {
			return
		}
		splitAndParse(t, p, o.Quantity, data)
		// A checksum that is right by construction: the fuzzer does not find one often.
		if len(data) < 250 {
			frame := appendCRC(bytes.Clone(data))
			r, err := p.Parse(frame)
			sound(t, frame, o.Quantity, r, err)
		}
	})
}

func FuzzSCPI(f *testing.F) {
	for _, seed := range []string{
		"+2.350000E+01\n", "-12\r\n23.5\n", "9.91E37\n", "-9.9E+37\n", "1E999\n", "1E-999\n", "-113,\"Undefined header\"\n", "\x00\n",
		"0E+30\n", "999999999999999999E-17\n", "nan\n", "- 5 \n",
	} {
		for choice := range byte(3) {
			f.Add([]byte(seed), choice)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, choice byte) {
		p := mustNew(t, "scpi", Options{Quantity: Temperature, Unit: []string{"C", "F", "K"}[choice%3]})
		splitAndParse(t, p, Temperature, data)
	})
}

// FuzzDecimal holds the parser of printed numbers against the standard
// library's, which rounds to the nearest value by another way.
func FuzzDecimal(f *testing.F) {
	for _, seed := range []string{"1.250", "-0.005", "+ 12,5", "99999999999999999", ".5", "5.", "1E-3", "-0", "1e999", "0x10", "1_000", "1.2.3", "+"} {
		f.Add(seed, true)
		f.Add(seed, false)
	}
	f.Fuzz(func(t *testing.T, text string, exponent bool) {
		d, point, err := parseDecimal([]byte(text), exponent)
		if err != nil {
			if d != (fillcalc.Decimal{}) || point {
				t.Errorf("%q: an error and still %v", text, d)
			}
			return
		}
		plain := strings.ReplaceAll(strings.ReplaceAll(text, " ", ""), ",", ".")
		if !exponent && strings.ContainsAny(plain, "eE") || strings.ContainsAny(plain, "xXpP_nN") {
			t.Fatalf("%q: accepted", text)
		}
		want, failed := strconv.ParseFloat(plain, 64)
		if math.IsInf(want, 0) { // the range is the caller's business
			failed = nil
		}
		if failed != nil || d.Float() != want {
			t.Errorf("%q: %v is %.17g, want %.17g (%v)", text, d, d.Float(), want, failed)
		}
		if point != strings.Contains(plain, ".") {
			t.Errorf("%q: point %v", text, point)
		}
	})
}

func FuzzJudge(f *testing.F) {
	for _, p := range Patterns {
		f.Add([]byte(strings.Repeat(p.Example+"\r\n", 3)))
		f.Add(withParity([]byte(strings.Repeat(p.Example+"\r\n", 3)), 'E'))
	}
	f.Add([]byte("\n 1G       5.025lb \r\n?\r"))
	f.Add(withParity([]byte("\n 1G       5.025lb \r"), 'O'))
	f.Add([]byte("\xff\x00\n\r\n\r"))
	f.Fuzz(func(t *testing.T, data []byte) {
		before := bytes.Clone(data)
		for _, finding := range Judge(data) {
			if finding.Good <= 0 || finding.Good < finding.Bad || len(finding.Frame) == 0 || garbled(finding.Last.Faults) {
				t.Fatalf("%q: %+v", data, finding)
			}
			if math.IsNaN(finding.Last.Value) || math.IsInf(finding.Last.Value, 0) {
				t.Fatalf("%q: %+v", data, finding.Last)
			}
			if finding.Parity != 0 && finding.Parity != parityOf(data) {
				t.Fatalf("%q: parity %q", data, finding.Parity)
			}
			line, o := LineSettings{9600, 8, 'N', 1}, &ListenOptions{Say: words.Plain.Say}
			if finding.describe(o) == "" || !strings.Contains(finding.config("x", line, o), "protocol: "+finding.Protocol+"\n") {
				t.Fatalf("%q: %q", data, finding.config("x", line, o))
			}
		}
		if !bytes.Equal(before, data) {
			t.Fatal("the bytes heard were changed")
		}
	})
}

// FuzzLineSettings: what is accepted reads back from its own short form.
func FuzzLineSettings(f *testing.F) {
	for _, seed := range []string{"9600 8N1", "4800 7E1", "115200 8O2", "000 8N1", "0300 7E2", "9600 8N3", "9600  8N1", "9600 8N1\n", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		l, err := ParseLineSettings(text)
		if err != nil {
			if l != (LineSettings{}) {
				t.Errorf("%q: an error and still %v", text, l)
			}
			return
		}
		if l.String() != text || l.Baud < 100 || l.Baud > 9_999_999 {
			t.Errorf("%q: read as %v", text, l)
		}
		if mode := l.mode(); mode.BaudRate != l.Baud || mode.DataBits != l.DataBits {
			t.Errorf("%q: %+v", text, mode)
		}
	})
}
