package sensors

import (
	"testing"

	"go.bug.st/serial"
)

func TestLineSettings(t *testing.T) {
	tests := []struct {
		text string
		want LineSettings
		mode serial.Mode
	}{
		{"9600 8N1", LineSettings{9600, 8, 'N', 1}, serial.Mode{BaudRate: 9600, DataBits: 8}},
		{"4800 7E1", LineSettings{4800, 7, 'E', 1}, serial.Mode{BaudRate: 4800, DataBits: 7, Parity: serial.EvenParity}},
		{"115200 8O2", LineSettings{115200, 8, 'O', 2}, serial.Mode{BaudRate: 115200, DataBits: 8, Parity: serial.OddParity, StopBits: serial.TwoStopBits}},
	}
	for _, test := range tests {
		got, err := ParseLineSettings(test.text)
		if err != nil || got != test.want || got.String() != test.text || *got.mode() != test.mode {
			t.Errorf("%q: %+v, %+v, %v", test.text, got, got.mode(), err)
		}
	}
	for _, text := range []string{
		"", "9600", "9600 8N", "9600 8N1.5", "9600 8n1", "9600 9N1", "9600 6N1", "9600 8M1", "9600 8N3", "96 8N1", "12345678 8N1",
		"9600  8N1", " 9600 8N1", "9600 8N1\n", "9600,8N1", "-9600 8N1", "000 8N1", "09600 8N1",
	} {
		if got, err := ParseLineSettings(text); err == nil {
			t.Errorf("%q: read as %v", text, got)
		}
	}
	for _, l := range CommonSettings {
		if got, err := ParseLineSettings(l.String()); err != nil || got != l {
			t.Errorf("%v: %v, %v", l, got, err)
		}
	}
}
