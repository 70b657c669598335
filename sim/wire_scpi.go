package sim

import (
	"bytes"
	"math"
	"strconv"
	"strings"
)

// SCPIWire is a thermometer that speaks IEEE 488.2 and SCPI-99 over a serial line: text commands that end with LF (or CR LF),
// and replies that end with LF. Keywords have a long and a short form (the capitals below), in upper or lower case.
//
//	*IDN?                     maker, model, serial number, firmware
//	*CLS                      empties the error queue
//	MEASure:TEMPerature?      +2.350000E+01; +9.910000E+37 without a reading
//	UNIT:TEMPerature C|F|K    and UNIT:TEMPerature?
//	SYSTem:ERRor[:NEXT]?      the oldest error; 0,"No error" when there is none
//
// Semicolons separate several commands on one line, and their replies.
type SCPIWire struct {
	unit   string // "" is C
	errors []string
}

const (
	maxSCPIBytes  = 256 // a longer line is discarded as an error
	maxSCPIErrors = 10
	scpiNaN       = 9.91e37 // SCPI-99: not a number
)

// Stream is nil: the instrument only answers.
func (w *SCPIWire) Stream(Sample) []byte { return nil }

// Answer executes one line.
func (w *SCPIWire) Answer(request []byte, s Sample) ([]byte, int) {
	end := bytes.IndexByte(request, '\n')
	if end < 0 {
		if len(request) <= maxSCPIBytes {
			return nil, 0
		}
		w.fail(`-100,"Command error"`)
		return nil, len(request)
	}
	var replies []string
	for _, command := range strings.Split(string(request[:end]), ";") {
		if reply := w.command(strings.TrimSpace(command), s); reply != "" {
			replies = append(replies, reply)
		}
	}
	if replies == nil {
		return nil, end + 1
	}
	return []byte(strings.Join(replies, ";") + "\n"), end + 1
}

// command executes one command and returns its reply, "" when it has none.
func (w *SCPIWire) command(command string, s Sample) string {
	header, argument, _ := strings.Cut(command, " ")
	argument = strings.ToUpper(strings.TrimSpace(argument))
	is := func(pattern string) bool { return scpiMatches(pattern, header) }
	switch {
	case command == "":
	case is("*IDN?"):
		return "Example,Thermometer,0,1.0"
	case is("*CLS"):
		w.errors = nil
	case is("MEASure:TEMPerature?"):
		return w.temperature(s)
	case is("UNIT:TEMPerature?"):
		return w.inUse()
	case is("UNIT:TEMPerature"):
		switch argument {
		case "C", "F", "K":
			w.unit = argument
		case "":
			w.fail(`-109,"Missing parameter"`)
		default:
			w.fail(`-222,"Data out of range"`)
		}
	case is("SYSTem:ERRor?"), is("SYSTem:ERRor:NEXT?"):
		if len(w.errors) == 0 {
			return `0,"No error"`
		}
		oldest := w.errors[0]
		w.errors = w.errors[1:]
		return oldest
	default:
		w.fail(`-113,"Undefined header"`)
	}
	return ""
}

func (w *SCPIWire) inUse() string {
	if w.unit == "" {
		return "C"
	}
	return w.unit
}

func (w *SCPIWire) temperature(s Sample) string {
	value := s.Celsius
	switch w.inUse() {
	case "F":
		value = value*1.8 + 32
	case "K":
		value += 273.15
	}
	if !s.IsTemp || math.IsNaN(value) {
		value = scpiNaN
	}
	text := strconv.FormatFloat(value, 'E', 6, 64)
	if value >= 0 {
		text = "+" + text
	}
	return text
}

// fail queues an error; a full queue replaces its last entry by one that says so.
func (w *SCPIWire) fail(e string) {
	if len(w.errors) == maxSCPIErrors {
		w.errors[maxSCPIErrors-1] = `-350,"Queue overflow"`
		return
	}
	w.errors = append(w.errors, e)
}

// scpiMatches compares a header with a pattern in which capitals mark the short form.
func scpiMatches(pattern, header string) bool {
	want := strings.Split(pattern, ":")
	got := strings.Split(strings.TrimPrefix(strings.ToUpper(header), ":"), ":")
	if len(want) != len(got) {
		return false
	}
	for i, long := range want {
		short := strings.Map(func(r rune) rune {
			if r >= 'a' && r <= 'z' {
				return -1
			}
			return r
		}, long)
		if got[i] != strings.ToUpper(long) && got[i] != short {
			return false
		}
	}
	return true
}
