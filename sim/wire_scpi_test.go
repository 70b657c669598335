package sim

import (
	"math"
	"strings"
	"testing"
)

// Formats of IEEE 488.2 and SCPI-99 as instrument drivers expect them: NR3 numbers, 9.91E37 for "not a number", error texts.
func TestSCPI(t *testing.T) {
	s := Sample{IsTemp: true, Celsius: 23.5}
	w := &SCPIWire{}
	for _, c := range []struct{ request, reply string }{
		{"*IDN?\n", "Example,Thermometer,0,1.0\n"},
		{"*idn?\r\n", "Example,Thermometer,0,1.0\n"},
		{"MEASure:TEMPerature?\n", "+2.350000E+01\n"},
		{"MEAS:TEMP?\n", "+2.350000E+01\n"},
		{":measure:temp?\r\n", "+2.350000E+01\n"},
		{"MEASU:TEMP?\n", ""}, // neither the long nor the short form
		{"SYST:ERR?\n", "-113,\"Undefined header\"\n"},
		{"system:error:next?\n", "0,\"No error\"\n"},
		{"UNIT:TEMP?\n", "C\n"},
		{"UNIT:TEMPERATURE F\n", ""},
		{"MEAS:TEMP?;UNIT:TEMP?\n", "+7.430000E+01;F\n"},
		{"UNIT:TEMP K\n", ""},
		{"MEAS:TEMP?\n", "+2.966500E+02\n"},
		{"UNIT:TEMP R\n", ""},
		{"UNIT:TEMP\n", ""},
		{"SYST:ERR?;SYST:ERR?;SYST:ERR?\n", "-222,\"Data out of range\";-109,\"Missing parameter\";0,\"No error\"\n"},
		{"nonsense\n", ""},
		{"*CLS\n", ""},
		{"SYST:ERR?\n", "0,\"No error\"\n"},
		{"UNIT:TEMP C\n", ""},
		{"\r\n", ""},
	} {
		if got := talk(t, w, c.request, s); got != c.reply {
			t.Errorf("%q: %q, want %q", c.request, got, c.reply)
		}
	}
	for _, none := range []Sample{{IsTemp: true, Celsius: math.NaN()}, weighed(1)} {
		if got := talk(t, w, "MEAS:TEMP?\n", none); got != "+9.910000E+37\n" {
			t.Errorf("no reading: %q", got)
		}
	}
	for celsius, want := range map[float64]string{-40: "-4.000000E+01\n", 0: "+0.000000E+00\n"} {
		if got := talk(t, w, "MEAS:TEMP?\n", Sample{IsTemp: true, Celsius: celsius}); got != want {
			t.Errorf("%v °C: %q", celsius, got)
		}
	}
}

func TestSCPIQueuesAndPieces(t *testing.T) {
	w := &SCPIWire{}
	if reply, used := w.Answer([]byte("MEAS:TEM"), Sample{}); reply != nil || used != 0 {
		t.Errorf("half a command: used %d, %q", used, reply)
	}
	if reply, used := w.Answer([]byte("UNIT:TEMP?\nUNIT"), Sample{}); string(reply) != "C\n" || used != 11 {
		t.Errorf("a command and a half: used %d, %q", used, reply)
	}
	if reply, used := w.Answer([]byte(strings.Repeat("x", 256)), Sample{}); reply != nil || used != 0 {
		t.Errorf("256 bytes without an end: used %d, %q", used, reply)
	}
	talk(t, w, strings.Repeat("x", 257), Sample{})
	for range 20 {
		talk(t, w, "x\n", Sample{})
	}
	var got []string
	for range 11 {
		got = append(got, strings.SplitN(talk(t, w, "SYST:ERR?\n", Sample{}), ",", 2)[0])
	}
	if s := strings.Join(got, " "); s != "-100 -113 -113 -113 -113 -113 -113 -113 -113 -350 0" {
		t.Errorf("error queue: %s", s)
	}
}
