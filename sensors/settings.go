package sensors

import (
	"fmt"
	"regexp"
	"strconv"

	"go.bug.st/serial"

	"bayfill/fillcalc"
)

// LineSettings are the speed and character format of a serial line.
type LineSettings struct {
	Baud     int
	DataBits int
	Parity   byte // N, E or O
	StopBits int  // 1 or 2
}

var settingsPattern = regexp.MustCompile(`^([1-9]\d{2,6}) ([78])([NEO])([12])$`)

// ParseLineSettings reads settings in the usual short form, as in "9600 8N1":
// speed in baud, data bits, parity, stop bits. The error shows the form.
func ParseLineSettings(text string) (LineSettings, error) {
	m := settingsPattern.FindStringSubmatch(text)
	if m == nil {
		return LineSettings{}, &fillcalc.Refusal{Text: fillcalc.Text{Key: "protocol.line", Names: names{"typed": text}}}
	}
	baud, _ := strconv.Atoi(m[1])
	return LineSettings{Baud: baud, DataBits: int(m[2][0] - '0'), Parity: m[3][0], StopBits: int(m[4][0] - '0')}, nil
}

func (l LineSettings) String() string {
	return fmt.Sprintf("%d %d%c%d", l.Baud, l.DataBits, l.Parity, l.StopBits)
}

func (l LineSettings) mode() *serial.Mode {
	m := &serial.Mode{BaudRate: l.Baud, DataBits: l.DataBits}
	switch l.Parity {
	case 'E':
		m.Parity = serial.EvenParity
	case 'O':
		m.Parity = serial.OddParity
	}
	if l.StopBits == 2 {
		m.StopBits = serial.TwoStopBits
	}
	return m
}
