package sim

import (
	"fmt"
	"math"
)

// LineWire is an indicator that streams one text line per reading, ends it with CR LF, and ignores requests (common practice,
// no source). Shapes, for 1.250 kg and 23.45 °C:
//
//	status-kind-value-unit   ST,GS,+0001.250kg      ST at rest, US in motion, OL and UL outside capacity; GS gross
//	value-unit                  1.250 kg            followed by ? in motion; dashes outside capacity
//	value                    1.250                  only the number; dashes outside capacity
//	counts                   125000                 raw counts of the converter, neither rounded nor limited
//	temp                     +023.45 C              dashes without a reading
type LineWire struct {
	Shape       string
	Unit        string // kg, g, lb, oz; C or F for temp; not used by counts
	Decimals    int
	CountsPerKg float64 // counts only
	CountsZero  float64 // counts of the empty scale
}

func (w *LineWire) check() error {
	switch w.Shape {
	case "status-kind-value-unit", "value-unit", "value":
		return checkMassUnit(w.Unit)
	case "counts":
		if w.CountsPerKg == 0 {
			return fmt.Errorf("shape counts: CountsPerKg is 0")
		}
		return nil
	case "temp":
		if w.Unit != "C" && w.Unit != "F" {
			return fmt.Errorf("unit %q: want C or F", w.Unit)
		}
		return nil
	}
	return fmt.Errorf("unknown shape %q", w.Shape)
}

// Answer discards everything.
func (w *LineWire) Answer(request []byte, _ Sample) ([]byte, int) { return nil, len(request) }

// Stream is the line of one reading.
func (w *LineWire) Stream(s Sample) []byte {
	return []byte(w.line(s) + "\r\n")
}

func (w *LineWire) line(s Sample) string {
	value := s.Kg / massUnits[w.Unit].kg
	outside := s.Over || s.Under
	switch w.Shape {
	case "status-kind-value-unit":
		switch {
		case s.Over:
			return "OL,GS,+ 99999" + w.Unit
		case s.Under:
			return "UL,GS,- 99999" + w.Unit
		case s.Stable:
			return "ST,GS," + signed(value, 8, w.Decimals) + w.Unit
		}
		return "US,GS," + signed(value, 8, w.Decimals) + w.Unit
	case "value-unit":
		number := fixed(value, w.Decimals)
		if outside {
			number = dashes(8)
		}
		line := fmt.Sprintf("%8s %s", number, w.Unit)
		if !s.Stable {
			line += "?"
		}
		return line
	case "value":
		if outside {
			return dashes(8)
		}
		return fixed(value, w.Decimals)
	case "counts":
		return fixed(s.FineKg*w.CountsPerKg+w.CountsZero, 0)
	default: // temp
		celsius, width := s.Celsius, 4+w.Decimals
		if math.IsNaN(celsius) {
			return dashes(1+width) + " " + w.Unit
		}
		if w.Unit == "F" {
			celsius = celsius*1.8 + 32
		}
		return signed(celsius, width, w.Decimals) + " " + w.Unit
	}
}
