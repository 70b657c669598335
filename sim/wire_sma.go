package sim

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// SMAWire is a scale that speaks SMA SCP-0499 (Scale Serial Communication Protocol), level 2. LF starts a frame and CR ends it.
//
//	command   LF c [data] CR
//	reply     LF s r n m f wwwwwwwwww uuu CR        20 bytes
//
//	s  status: blank, Z centre of zero, O over, U under capacity, E zero refused, T tare refused
//	r  range: 1
//	n  G gross, N net, T tare; g, n in high resolution
//	m  M in motion, blank at rest
//	f  reserved: blank
//	w  weight, right-justified, sign directly before the digits; ten dashes with E and T
//	u  unit, left-justified, padded with blanks (the standard prints a blank as _)
//
// Z (zero) is always refused, because it would shift the readings against the truth. Tare works: the frame shows it as net.
type SMAWire struct {
	Unit     string  // kg, g, lb or oz
	Decimals int     // in that unit
	Capacity float64 // in that unit; sent only in reply to I and N

	unit   string // in use; "" is Unit
	tareKg float64
	repeat byte // R or S while repeating
	list   []string
	next   byte // command that requests the next line of list: B or N
}

const (
	smaEscape   = 0x1b
	maxSMABytes = 32 // no command is longer
)

func (w *SMAWire) check() error { return checkMassUnit(w.Unit) }

// Stream repeats the weight after R or S.
func (w *SMAWire) Stream(s Sample) []byte {
	if w.repeat == 0 {
		return nil
	}
	return w.weight(s, ' ', w.repeat == 'S')
}

// Answer executes one command. Bytes outside a frame are ignored, and so is a frame that a new LF interrupts; ESC aborts
// anywhere.
func (w *SMAWire) Answer(request []byte, s Sample) ([]byte, int) {
	start := -1
	for i, b := range request {
		switch {
		case b == smaEscape:
			w.repeat, w.list = 0, nil
			return nil, i + 1
		case b == '\n':
			start = i
		case b == '\r' && start >= 0:
			return w.command(request[start+1:i], s), i + 1
		}
	}
	switch {
	case start < 0:
		return nil, len(request)
	case len(request)-start > maxSMABytes:
		return []byte("\n!\r"), len(request)
	}
	return nil, start
}

func (w *SMAWire) command(c []byte, s Sample) []byte {
	w.repeat = 0 // any command ends repeating
	for _, b := range c {
		if b < 0x20 || b > 0x7e { // a transmission error
			return []byte("\n!\r")
		}
	}
	if len(c) == 0 {
		return []byte("\n?\r")
	}
	data := strings.Trim(string(c[1:]), " _")
	if (c[0] == 'B' || c[0] == 'N') && c[0] == w.next && data == "" {
		return w.listed()
	}
	w.list, w.next = nil, 0
	switch {
	case c[0] == 'T' && data != "":
		return w.presetTare(data, s)
	case c[0] == 'U':
		return w.changeUnit(data, s)
	case data != "":
		return []byte("\n?\r")
	}
	return w.alone(c[0], s)
}

// alone executes a command without data.
func (w *SMAWire) alone(letter byte, s Sample) []byte {
	switch letter {
	case 'W', 'P':
		return w.weight(s, ' ', false)
	case 'H', 'Q':
		return w.weight(s, ' ', true)
	case 'R', 'S':
		w.repeat = letter
		return w.Stream(s)
	case 'Z':
		return w.weight(s, 'E', false)
	case 'T':
		if !s.Stable || s.Over || s.Under || s.Kg <= 0 {
			return w.weight(s, 'T', false)
		}
		w.tareKg = s.Kg
		return w.weight(s, ' ', false)
	case 'C':
		w.tareKg = 0
		return w.weight(s, ' ', false)
	case 'M':
		return w.frame(s, ' ', 'T', w.tareKg, 0)
	case 'D':
		return []byte("\n    \r")
	case 'A':
		w.list = []string{"MFG:Example", "MOD:Bench 30", "REV:1", "SN :0", "END:"}
		w.next = 'B'
		return []byte("\nSMA:2/1.0\r")
	case 'I':
		w.list = []string{"TYP:S", w.capacity(s), "CMD:ABCDHIMNPQRSTUWZ", "END:"}
		w.next = 'N'
		return []byte("\nSMA:2/1.0\r")
	}
	return []byte("\n?\r")
}

// listed is the next line of A or I; a request after the last line is an unknown command.
func (w *SMAWire) listed() []byte {
	if len(w.list) == 0 {
		w.next = 0
		return []byte("\n?\r")
	}
	line := w.list[0]
	w.list = w.list[1:]
	return []byte("\n" + line + "\r")
}

func (w *SMAWire) capacity(s Sample) string {
	step := s.ResolutionKg / massUnits[w.Unit].kg
	return fmt.Sprintf("CAP:%-3s:%s:%s:%d", w.Unit, fixed(w.Capacity, w.Decimals), fixed(step, w.Decimals), w.Decimals)
}

func (w *SMAWire) presetTare(data string, s Sample) []byte {
	value, err := strconv.ParseFloat(data, 64)
	if err != nil || !(value >= 0) || math.IsInf(value, 0) {
		return []byte("\n?\r")
	}
	w.tareKg = value * massUnits[w.inUse()].kg
	return w.weight(s, ' ', false)
}

func (w *SMAWire) changeUnit(data string, s Sample) []byte {
	order := []string{"kg", "g", "lb", "oz", "kg"}
	if data == "" {
		for i := range len(order) - 1 {
			if order[i] == w.inUse() {
				data = order[i+1]
				break
			}
		}
	}
	if checkMassUnit(data) != nil {
		return []byte("\n?\r")
	}
	w.unit = data
	return w.weight(s, ' ', false)
}

func (w *SMAWire) inUse() string {
	if w.unit == "" {
		return w.Unit
	}
	return w.unit
}

func (w *SMAWire) weight(s Sample, status byte, fine bool) []byte {
	if status == ' ' {
		switch {
		case s.Over:
			status = 'O'
		case s.Under:
			status = 'U'
		case s.CentreOfZero:
			status = 'Z'
		}
	}
	kind, kg, more := byte('G'), s.Kg, 0
	if w.tareKg != 0 {
		kind = 'N'
	}
	if fine {
		kind += 'a' - 'A'
		kg, more = roundTo(s.FineKg, s.ResolutionKg/10), 1
	}
	return w.frame(s, status, kind, kg-w.tareKg, more)
}

func (w *SMAWire) frame(s Sample, status, kind byte, kg float64, more int) []byte {
	unit := massUnits[w.inUse()]
	decimals := max(0, w.Decimals+massUnits[w.Unit].fewer-unit.fewer) + more
	weight := fixed(kg/unit.kg, decimals)
	if status == 'E' || status == 'T' || len(weight) > 10 {
		weight = dashes(10)
	}
	motion := byte('M')
	if s.Stable {
		motion = ' '
	}
	return fmt.Appendf(nil, "\n%c1%c%c %10s%-3s\r", status, kind, motion, weight, w.inUse())
}
