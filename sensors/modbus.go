package sensors

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"math"
	"strconv"
	"strings"

	"bayfill/fillcalc"
)

// newModbus makes Modbus RTU (Modbus over Serial Line 1.02, Application Protocol
// 1.1b3): it reads one value from one or two registers.
//
//	request   unit, function 3 or 4, address (2), count (2), CRC (low byte first)
//	reply     unit, function, byte count, registers (big-endian), CRC
//	exception unit, function + 0x80, code, CRC
//
// Order is the order of a value's four bytes on the wire: ABCD is big-endian
// throughout, CDAB has the two words swapped, BADC has the bytes of each word
// swapped, DCBA is little-endian (common practice; the standard defines none).
// Resynchronisation: the request determines the first three bytes of the reply;
// anything else, including an echo of the request, is skipped. A frame with a wrong
// checksum is searched for another beginning: only its first bytes may be damaged.
func newModbus(o Options) (Protocol, error) {
	if err := checkModbus(&o); err != nil {
		return Protocol{}, err
	}
	m := modbus{rule: newUnitRule(o), unit: byte(o.Unit485), function: 3, bytes: 2, kind: o.Type, order: cmp.Or(o.Order, "ABCD"),
		exponent: o.Exponent, kgPerCount: o.KgPerCount, countsAtZero: o.CountsAtZero}
	if o.Input {
		m.function = 4
	}
	if strings.HasSuffix(o.Type, "32") {
		m.bytes = 4
	}
	request := []byte{m.unit, m.function, 0, 0, 0, byte(m.bytes / 2)}
	binary.BigEndian.PutUint16(request[2:], uint16(o.Register))
	m.request = appendCRC(request)
	return Protocol{Name: "modbus", Poll: m.request, Split: m.split, Parse: m.parse}, nil
}

func checkModbus(o *Options) error {
	bad := []error{inSpan("unit_id", o.Unit485, 1, 247), inSpan("register", o.Register, 0, 65535), inSpan("exponent", o.Exponent, -9, 9)}
	switch o.Type {
	case "int16", "uint16", "int32", "uint32", "float32":
	default:
		bad = append(bad, refuseChoice("type", o.Type, "int16, uint16, int32, uint32, float32"))
	}
	switch o.Order {
	case "", "ABCD", "CDAB", "BADC", "DCBA":
	default:
		bad = append(bad, refuseChoice("order", o.Order, "ABCD, CDAB, BADC, DCBA"))
	}
	if o.Unit == "" && o.KgPerCount == 0 {
		bad = append(bad, refuseOption("unit", "protocol.registers_unit", nil))
	}
	if o.KgPerCount != 0 && (o.Quantity != Weight || o.Type == "float32") {
		bad = append(bad, refuseOption("kg_per_count", "protocol.counts_whole", nil))
	}
	return errors.Join(bad...)
}

type modbus struct {
	rule         unitRule
	request      []byte
	unit         byte
	function     byte
	bytes        int
	kind         string
	order        string
	exponent     int
	kgPerCount   float64
	countsAtZero float64
}

func (m *modbus) split(data []byte) (advance int, frame []byte) {
	// Look for an echo first: when the address of the register looks like a byte
	// count, the request begins like a reply.
	if n := min(len(data), len(m.request)); bytes.Equal(data[:n], m.request[:n]) {
		if n < len(m.request) {
			return 0, nil
		}
		return n, nil
	}
	start, want := m.find(data)
	switch {
	case start > 0:
		return start, nil
	case want == 0 || len(data) < want:
		return 0, nil
	case crc16(data[:want]) == 0:
		return want, data[:want]
	}
	next, _ := m.find(data[1:])
	end := min(want, 1+next)
	return end, data[:end]
}

// find returns the first byte at which a frame may begin and the length of that
// frame, 0 when too few of its bytes have arrived. Without a beginning, start is
// len(data).
func (m *modbus) find(data []byte) (start, want int) {
	for i := range data {
		rest := data[i:]
		switch {
		case rest[0] != m.unit:
		case len(rest) < 3:
			return i, 0
		case rest[1] == m.function && rest[2] == byte(m.bytes):
			return i, 3 + m.bytes + 2
		case rest[1] == m.function|0x80 && rest[2] >= 1 && rest[2] <= 11:
			return i, 5
		}
	}
	return len(data), 0
}

func (m *modbus) parse(frame []byte) (Reading, error) {
	q := m.rule.quantity
	n := len(frame)
	if n < 5 {
		return refuse(q, fillcalc.FaultFrame, "frame", n, "%d bytes, a reply has at least 5", n)
	}
	if got, want := binary.LittleEndian.Uint16(frame[n-2:]), crc16(frame[:n-2]); got != want {
		return refuse(q, fillcalc.FaultChecksum, "crc", n-2, "%04X, computed %04X", got, want)
	}
	if frame[0] != m.unit {
		return refuse(q, fillcalc.FaultFrame, "unit", 0, "a reply from unit %d, the request went to unit %d", frame[0], m.unit)
	}
	if frame[1] == m.function|0x80 && n == 5 {
		return refuse(q, fillcalc.FaultSensor, "exception", 2, "code %d: %s", frame[2], exceptionText(frame[2]))
	}
	if frame[1] != m.function || int(frame[2]) != m.bytes || n != 5+m.bytes {
		return refuse(q, fillcalc.FaultFrame, "function", 1, "not the requested reply")
	}
	return m.value(frame[3 : 3+m.bytes])
}

// value decodes the registers.
func (m *modbus) value(data []byte) (Reading, error) {
	if m.bytes == 2 {
		word := binary.BigEndian.Uint16(data)
		if m.order == "BADC" || m.order == "DCBA" {
			word = word<<8 | word>>8
		}
		if m.kind == "int16" {
			return m.whole(int64(int16(word)))
		}
		return m.whole(int64(word))
	}
	var bits uint32
	switch m.order {
	case "ABCD":
		bits = binary.BigEndian.Uint32(data)
	case "CDAB":
		bits = binary.BigEndian.Uint32([]byte{data[2], data[3], data[0], data[1]})
	case "BADC":
		bits = binary.BigEndian.Uint32([]byte{data[1], data[0], data[3], data[2]})
	case "DCBA":
		bits = binary.LittleEndian.Uint32(data)
	}
	switch m.kind {
	case "int32":
		return m.whole(int64(int32(bits)))
	case "uint32":
		return m.whole(int64(bits))
	}
	f := math.Float32frombits(bits)
	if f != f || f > 1e9 || f < -1e9 {
		return refuse(m.rule.quantity, fillcalc.FaultSensor, "value", 3, "%g is no measurement", f)
	}
	// The shortest decimal that identifies this float32 is what the instrument meant.
	var buf [32]byte
	shown, _, err := parseDecimal(strconv.AppendFloat(buf[:0], float64(f), 'e', -1, 32), true)
	if err != nil {
		return refuse(m.rule.quantity, fillcalc.FaultFrame, "value", 3, "%g: %v", f, err)
	}
	shown.Exp += m.exponent
	return m.rule.value(shown, 3, nil, 3+m.bytes)
}

// whole converts an integer register.
func (m *modbus) whole(v int64) (Reading, error) {
	if m.kgPerCount != 0 {
		return m.rule.counts(float64(v), m.kgPerCount, m.countsAtZero, 3)
	}
	return m.rule.value(fillcalc.Decimal{Digits: v, Exp: m.exponent}, 3, nil, 0)
}

// Exception codes after which the other kind of register is worth a try.
const (
	unknownFunction = 1
	unknownRegister = 2
)

func exceptionText(code byte) string {
	switch code {
	case unknownFunction:
		return "the instrument does not know this function: try input instead of holding registers or the other way round"
	case unknownRegister:
		return "it has no such register: try the neighbouring one (some manuals count from 1), input instead of holding registers or the other way round, or another type"
	case 3:
		return "it refuses the number of registers: check type"
	case 4:
		return "it reports a failure of its own"
	case 6:
		return "it is busy"
	}
	return "see its manual"
}

// exceptionKey is the key of the sentence that says the same to people.
func exceptionKey(code byte) string {
	switch code {
	case unknownFunction:
		return "listen.unknown_function"
	case unknownRegister:
		return "listen.unknown_register"
	case 3:
		return "listen.register_count"
	case 4:
		return "listen.own_failure"
	case 6:
		return "listen.busy_now"
	}
	return "listen.see_manual"
}

func appendCRC(frame []byte) []byte {
	return binary.LittleEndian.AppendUint16(frame, crc16(frame))
}

// crc16 is the checksum of Modbus over Serial Line 1.02, 6.2.2: start FFFF,
// reflected polynomial A001.
func crc16(data []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range data {
		crc ^= uint16(b)
		for range 8 {
			odd := crc & 1
			crc >>= 1
			if odd != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
