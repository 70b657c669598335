package sim

import (
	"encoding/binary"
	"fmt"
	"math"
)

// ModbusWire is a Modbus RTU server (Modbus over Serial Line 1.02, Application Protocol 1.1b3) with one value in its registers.
//
//	request   unit  function  start(2)  quantity(2)  CRC(2, low byte first)
//	reply     unit  function  bytes(1)  registers    CRC
//	exception unit  function+80h  code  CRC          1 function, 2 address, 3 quantity
//
// Registers are big-endian. A request that includes all registers of the value is answered, with zeros in the other ones. Real
// servers recognise the end of a frame by silence; this one recognises it by the CRC, so the rest of a broken request does not
// spoil the next one. Frames to other units, broadcasts and frames with a wrong CRC get no answer.
type ModbusWire struct {
	Unit     byte // 1 … 247
	Function byte // 3 holding or 4 input registers
	Address  uint16
	Type     string  // int16, int32 or float32
	Order    string  // ABCD, CDAB, BADC or DCBA: the order in which the bytes of a big-endian value are sent
	Scale    float64 // value in kg or °C = register × Scale; 0 is 1
}

const maxModbusBytes = 256

func (w *ModbusWire) check() error {
	switch {
	case w.Unit < 1 || w.Unit > 247:
		return fmt.Errorf("modbus unit %d: want 1 to 247", w.Unit)
	case w.Function != 3 && w.Function != 4:
		return fmt.Errorf("modbus function %d: want 3 or 4", w.Function)
	case w.Type != "int16" && w.Type != "int32" && w.Type != "float32":
		return fmt.Errorf("modbus type %q: want int16, int32 or float32", w.Type)
	case w.Order != "ABCD" && w.Order != "CDAB" && w.Order != "BADC" && w.Order != "DCBA":
		return fmt.Errorf("modbus order %q: want ABCD, CDAB, BADC or DCBA", w.Order)
	}
	return nil
}

// Stream is nil: a server only answers.
func (w *ModbusWire) Stream(Sample) []byte { return nil }

// Answer finds the first request to this unit and discards everything before it.
func (w *ModbusWire) Answer(request []byte, s Sample) ([]byte, int) {
	for i := range request {
		if request[i] != w.Unit {
			continue
		}
		if n := modbusFrame(request[i:]); n > 0 {
			return appendModbusCRC(w.reply(request[i:i+n-2], s)), i + n
		}
	}
	return nil, max(0, len(request)-maxModbusBytes)
}

// modbusFrame is the length of the request at the beginning of b, 0 when b does not begin with a whole request.
func modbusFrame(b []byte) int {
	minBytes, maxBytes := 4, maxModbusBytes
	if len(b) > 1 && b[1] >= 1 && b[1] <= 6 { // reads and single writes
		minBytes, maxBytes = 8, 8
	}
	for n := minBytes; n <= min(maxBytes, len(b)); n++ {
		if binary.LittleEndian.Uint16(b[n-2:]) == modbusCRC(b[:n-2]) {
			return n
		}
	}
	return 0
}

// reply is the answer to a request, both without CRC.
func (w *ModbusWire) reply(request []byte, s Sample) []byte {
	function := request[1]
	refuse := func(code byte) []byte { return []byte{w.Unit, function | 0x80, code} }
	if function != w.Function {
		return refuse(1)
	}
	start, quantity := int(binary.BigEndian.Uint16(request[2:])), int(binary.BigEndian.Uint16(request[4:]))
	if quantity < 1 || quantity > 125 {
		return refuse(3)
	}
	value := w.registers(s)
	at := int(w.Address) - start
	if at < 0 || at+len(value)/2 > quantity || start+quantity > 1<<16 {
		return refuse(2)
	}
	data := make([]byte, 2*quantity)
	copy(data[2*at:], value)
	return append([]byte{w.Unit, function, byte(len(data))}, data...)
}

// registers are the bytes of the value in wire order. Outside capacity or without a reading, an integer is at the limit of its
// range and a float is NaN (common practice, no source).
func (w *ModbusWire) registers(s Sample) []byte {
	value := s.Kg
	if s.IsTemp {
		value = s.Celsius
	}
	switch {
	case s.Over:
		value = math.Inf(1)
	case s.Under:
		value = math.Inf(-1)
	}
	if w.Scale != 0 {
		value /= w.Scale
	}
	var b []byte
	switch w.Type {
	case "int16":
		b = binary.BigEndian.AppendUint16(nil, uint16(int16(whole(value, math.MaxInt16))))
	case "int32":
		b = binary.BigEndian.AppendUint32(nil, uint32(int32(whole(value, math.MaxInt32))))
	default:
		if math.IsInf(value, 0) {
			value = math.NaN()
		}
		b = binary.BigEndian.AppendUint32(nil, math.Float32bits(float32(value)))
	}
	if w.Order == "CDAB" || w.Order == "DCBA" {
		half := len(b) / 2 &^ 1 // words swap in pairs only
		b = append(b[half:len(b):len(b)], b[:half]...)
	}
	if w.Order == "BADC" || w.Order == "DCBA" {
		for i := 0; i < len(b); i += 2 {
			b[i], b[i+1] = b[i+1], b[i]
		}
	}
	return b
}

// whole rounds to an integer from −limit−1 to limit; NaN becomes the lower limit.
func whole(value, limit float64) int64 {
	if math.IsNaN(value) {
		return int64(-limit - 1)
	}
	return int64(math.Round(min(max(value, -limit-1), limit)))
}

func appendModbusCRC(frame []byte) []byte {
	return binary.LittleEndian.AppendUint16(frame, modbusCRC(frame))
}

// modbusCRC is CRC-16 with the reflected polynomial A001 and start FFFF.
func modbusCRC(b []byte) uint16 {
	crc := uint16(0xffff)
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			odd := crc & 1
			crc >>= 1
			if odd == 1 {
				crc ^= 0xa001
			}
		}
	}
	return crc
}
