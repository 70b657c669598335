package sensors

import (
	"strings"
	"testing"

	"bayfill/fillcalc"
)

// Number formats NR1, NR2, NR3 of IEEE 488.2: from memory, not checked against
// the text. 9.91E37 for "not a number", ±9.9E37 for the infinities: SCPI-99, as
// several public drivers have it. -113: SCPI-99 error of that text, likewise.
func TestSCPIAnswers(t *testing.T) {
	sensor := func(at int) outcome { return bad(fillcalc.FaultSensor, "answer", at) }
	frame := func(at int) outcome { return bad(fillcalc.FaultFrame, "answer", at) }
	tests := []struct {
		answer string
		unit   string
		want   outcome
	}{
		{"-12", "C", good(-12, 0)},
		{"23", "C", good(23, 0)},
		{"+23.50", "C", good(23.5, 0)},
		{"23.5", "C", good(23.5, 0)},
		{".5", "C", good(0.5, 0)},
		{"+2.350000E+01", "C", good(23.5, 0)},
		{"2.35e1", "C", good(23.5, 0)},
		{"-5.5000E-01", "C", good(-0.55, 0)},
		{" 23.5 ", "C", good(23.5, 0)},
		{"+2.966000E+02", "K", good(23.45, 0)},
		{"59", "F", good(15, 0)},
		{"-40.0", "F", good(-40, 0)},
		{"9.91E37", "C", sensor(0)},
		{"+9.91000E+37", "C", sensor(0)},
		{"9.91E37", "F", sensor(0)},
		{"9.91E37", "K", sensor(0)},
		{"9.9E37", "C", sensor(0)},
		{"-9.9E37", "C", sensor(0)},
		{"-9.90000000E+37", "F", sensor(0)},
		{"1E999", "C", sensor(0)},
		{"9.8E37", "C", bad(fillcalc.FaultSensor, "value", 0)}, // below the special values, but not a temperature
		{"NAN", "C", frame(0)},
		{"INF", "C", frame(0)},
		{"0x17", "C", frame(0)},
		{"#H17", "C", frame(0)},
		{"", "C", frame(0)},
		{"E+01", "C", frame(0)},
		{"2.35E", "C", frame(0)},
		{"2.35E+", "C", frame(0)},
		{"2.35E+0001", "C", frame(0)},
		{"2.35 E+01", "C", frame(0)},
		{"2.3.5", "C", frame(0)},
		{"--5", "C", frame(0)},
		{"23.5 C", "C", frame(0)},
		{"23.5;24.0", "C", frame(0)},
		{"123456789012345678901", "C", frame(0)},
		{"23.5,24.0", "C", frame(4)},
		{`-113,"Undefined header"`, "C", frame(4)},
		{`0,"No error"`, "C", frame(1)},
		{"23.\x005", "C", bad(fillcalc.FaultChecksum, "answer", 3)},
		{"\xff23.5", "C", frame(0)},
	}
	for _, test := range tests {
		p := mustNew(t, "scpi", Options{Quantity: Temperature, Unit: test.unit})
		r, err := p.Parse([]byte(test.answer))
		same(t, []byte(test.answer), Temperature, r, err, test.want)
	}
}

// SCPI-99: a query ends with a question mark, a message with LF.
func TestSCPIQuery(t *testing.T) {
	right := Options{Quantity: Temperature, Unit: "C"}
	if p := mustNew(t, "scpi", right); string(p.Poll) != "MEASure:TEMPerature?\n" || p.Start != nil || !p.SkipFirst {
		t.Errorf("%+v", p)
	}
	own := right
	own.Query = "FETC?"
	if p := mustNew(t, "scpi", own); string(p.Poll) != "FETC?\n" {
		t.Errorf("own query: %q", p.Poll)
	}
	tests := []struct {
		option string
		change func(*Options)
	}{
		{"protocol", func(o *Options) { o.Quantity, o.Unit = Weight, "kg" }},
		{"unit", func(o *Options) { o.Unit = "" }},
		{"unit", func(o *Options) { o.Unit = "kg" }},
		{"query", func(o *Options) { o.Query = "*RST" }},
		{"query", func(o *Options) { o.Query = "*RST\nFETC?" }},
		{"query", func(o *Options) { o.Query = "FETC?\n" }},
	}
	for i, test := range tests {
		o := right
		test.change(&o)
		if _, err := New("scpi", o); err == nil || !strings.HasPrefix(err.Error(), test.option+":") {
			t.Errorf("%d: %v, want an error about %s", i, err, test.option)
		}
	}
}
