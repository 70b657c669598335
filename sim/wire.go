package sim

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Sample is one reading inside an instrument, before any protocol.
type Sample struct {
	Kg           float64 // as displayed, rounded to ResolutionKg
	FineKg       float64 // before rounding, for high-resolution replies and converter counts
	Celsius      float64 // NaN when there is no reading (open sensor)
	IsTemp       bool    // a temperature; otherwise a weight
	Stable       bool
	Over, Under  bool // capacity
	CentreOfZero bool
	ResolutionKg float64
}

// Wire is the instrument's side of one protocol. It may keep state (tare, repeat mode, error queue); one goroutine at a time
// may use it.
type Wire interface {
	// Stream is the frame that is sent unasked for this sample; nil when the protocol, or its present mode, only answers.
	Stream(s Sample) []byte
	// Answer consumes one request at the beginning of the received bytes. used == 0 means that more bytes are needed. A
	// request without an answer is consumed with a nil reply.
	Answer(request []byte, s Sample) (reply []byte, used int)
}

// massUnits maps the name on the wire to kilograms per unit (exact; international pound of 1959) and to how many decimals fewer
// than in kilograms a display shows.
var massUnits = map[string]struct {
	kg    float64
	fewer int
}{
	"kg": {1, 0}, "g": {0.001, 3}, "lb": {0.45359237, 0}, "oz": {0.45359237 / 16, 1},
}

func checkMassUnit(unit string) error {
	if _, ok := massUnits[unit]; !ok {
		return fmt.Errorf("unit %q: want kg, g, lb or oz", unit)
	}
	return nil
}

// fixed writes a number with the given decimals, and never as minus zero.
func fixed(value float64, decimals int) string {
	s := strconv.FormatFloat(value, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// signed writes a number as sign and digits, with zeros in front up to width characters after the sign.
func signed(value float64, width, decimals int) string {
	sign := "+"
	digits := fixed(value, decimals)
	if strings.HasPrefix(digits, "-") {
		sign, digits = "-", digits[1:]
	}
	return sign + strings.Repeat("0", max(0, width-len(digits))) + digits
}

// dashes fill the place of a number that cannot be shown.
func dashes(n int) string { return strings.Repeat("-", n) }

// roundTo rounds to a multiple of step; a step of 0 does not round.
func roundTo(value, step float64) float64 {
	if step <= 0 {
		return value
	}
	return math.Round(value/step) * step
}
