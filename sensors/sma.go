package sensors

import (
	"bytes"

	"bayfill/fillcalc"
)

// newSMA makes the serial protocol of the Scale Manufacturers Association,
// SCP-0499 (1999, Mod 1 of 2005), levels 1 and 2. LF starts a frame and CR ends
// it. The standard reply has 20 bytes at fixed positions:
//
//	0     LF
//	1     status: blank, Z centre of zero, O over, U under capacity,
//	      E zero error, I initial-zero error, T tare error; e, in one manual only,
//	      weight not displayed
//	2     range, 1 for a single range
//	3     G gross, N net, T tare; g and n in high resolution
//	4     M in motion, blank at rest
//	5     reserved: ignored
//	6-15  weight, right-justified, sign next to the digits; dashes without a weight
//	16-18 unit, left-justified
//	19    CR
//
// The standard prints a blank as an underscore, and some scales send one; both
// are accepted. There is no checksum, so every position is checked against the
// characters that it may hold. Resynchronisation: skip to the next LF.
func newSMA(o Options) (Protocol, error) {
	if o.Quantity != Weight {
		return Protocol{}, refuseOption("protocol", "protocol.only_scale", names{"typed": "sma"})
	}
	rule := newUnitRule(o)
	p := Protocol{
		Name:  "sma",
		Split: splitSMA,
		Parse: func(frame []byte) (Reading, error) { return parseSMA(&rule, frame) },
	}
	if o.Repeat {
		p.Start = []byte("\nR\r")
	} else {
		p.Poll = []byte("\nW\r")
	}
	return p, nil
}

// smaBlanks are the characters that stand for a blank.
const smaBlanks = " _"

// maxSMABytes limits a frame. The longest reply without a weight has less than 40
// bytes.
const maxSMABytes = 64

func splitSMA(data []byte) (advance int, frame []byte) {
	start := bytes.IndexByte(data, '\n')
	if start != 0 {
		if start < 0 {
			return len(data), nil
		}
		return start, nil
	}
	end := bytes.IndexByte(data, '\r')
	if end < 0 {
		if again := bytes.LastIndexByte(data, '\n'); again > 0 {
			return again, nil // a frame that lost its end
		}
		if len(data) > maxSMABytes {
			return len(data), nil
		}
		return 0, nil
	}
	if again := bytes.LastIndexByte(data[:end], '\n'); again > 0 {
		return again, nil
	}
	return end + 1, data[:end+1]
}

func parseSMA(rule *unitRule, frame []byte) (Reading, error) {
	if len(frame) == 3 && frame[1] == '?' {
		return refuse(Weight, fillcalc.FaultFrame, "reply", 1, "the scale does not know the command")
	}
	if len(frame) == 3 && frame[1] == '!' {
		return refuse(Weight, fillcalc.FaultChecksum, "reply", 1, "the scale got our command damaged: check speed and parity")
	}
	if len(frame) != 20 || frame[0] != '\n' || frame[19] != '\r' {
		return refuse(Weight, fillcalc.FaultFrame, "frame", 0, "%d bytes from LF to CR, a weight has 20", len(frame))
	}
	if reading, err := checkSMAHeader(frame); err != nil {
		return reading, err
	}
	weight := frame[6:16]
	if c := weight[9]; c < '0' || c > '9' {
		return refuse(Weight, fillcalc.FaultFrame, "weight", 15, "%q: not right-justified", weight)
	}
	digits := bytes.TrimLeft(weight, smaBlanks)
	shown, _, err := parseDecimal(digits, false)
	if err != nil || bytes.ContainsAny(digits, " ,") || digits[0] == '+' {
		return refuse(Weight, fillcalc.FaultFrame, "weight", 6, "%q is not a number", weight)
	}
	reading, err := rule.value(shown, 6, bytes.TrimRight(frame[16:19], smaBlanks), 16)
	if err != nil {
		return reading, err
	}
	reading.Stability = fillcalc.Stable
	if frame[4] == 'M' {
		reading.Stability = fillcalc.InMotion
	}
	return reading, nil
}

// checkSMAHeader checks the bytes before the weight. The error says why the frame
// has no weight; the reading belongs to it.
func checkSMAHeader(frame []byte) (Reading, error) {
	var faults fillcalc.Faults
	switch frame[1] {
	case ' ', '_', 'Z':
	case 'O':
		faults = fillcalc.FaultOverload
	case 'U':
		faults = fillcalc.FaultUnderload
	case 'E', 'I', 'T', 'e':
		return refuse(Weight, fillcalc.FaultSensor, "status", 1, "%q: the scale shows no weight (zero or tare error)", frame[1])
	default:
		return refuse(Weight, fillcalc.FaultFrame, "status", 1, "%q is none of blank Z O U E I T", frame[1])
	}
	if frame[2] < '1' || frame[2] > '9' {
		return refuse(Weight, fillcalc.FaultFrame, "range", 2, "%q is not a digit from 1 to 9", frame[2])
	}
	switch frame[3] {
	case 'G', 'N', 'g', 'n':
	case 'T':
		return refuse(Weight, fillcalc.FaultFrame, "kind", 3, "a tare, not a weight")
	default:
		return refuse(Weight, fillcalc.FaultFrame, "kind", 3, "%q is none of G N T g n", frame[3])
	}
	switch frame[4] {
	case ' ', '_', 'M':
	default:
		return refuse(Weight, fillcalc.FaultFrame, "motion", 4, "%q is neither M nor blank", frame[4])
	}
	if faults != 0 {
		return refuse(Weight, faults, "status", 1, "%q: outside the scale's range", frame[1])
	}
	return Reading{}, nil
}
