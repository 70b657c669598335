package sim

import (
	"strings"
	"testing"
)

// talk sends one request, which must be consumed completely.
func talk(t *testing.T, w Wire, request string, s Sample) string {
	t.Helper()
	reply, used := w.Answer([]byte(request), s)
	if used != len(request) {
		t.Fatalf("%q: used %d of %d bytes", request, used, len(request))
	}
	return string(reply)
}

func weighed(kg float64) Sample { return Sample{Kg: kg, FineKg: kg, ResolutionKg: 0.005, Stable: true} }

// Frames of SMA SCP-0499 as indicator manuals reprint its examples (pounds, 7.025 and 7.650 kg), and others composed from its
// field layout. Two examples of the standard need functions that this instrument lacks (a second range, a zero that works).
func TestSMAFrames(t *testing.T) {
	const lb = 0.45359237
	moving := func(s Sample) Sample { s.Stable = false; return s }
	over, under, zero := weighed(31.25), moving(weighed(-2.34)), weighed(0)
	over.Over, under.Under, zero.CentreOfZero = true, true, true
	fine := weighed(5.025 * lb)
	fine.FineKg, fine.ResolutionKg = 5.0025*lb, 0.005*lb
	for _, c := range []struct {
		unit          string
		decimals      int
		before        string // commands to send first
		command, want string
		s             Sample
	}{
		{"lb", 3, "", "\nW\r", "\n 1G       5.025lb \r", weighed(5.025 * lb)},
		{"lb", 0, "\nT2000\r", "\nW\r", "\n 1N      100000lb \r", weighed(102000 * lb)},
		{"lb", 3, "", "\nH\r", "\n 1g      5.0025lb \r", fine},
		{"lb", 3, "", "\nW\r", "\nZ1G       0.000lb \r", zero},
		{"kg", 3, "", "\nR\r", "\n 1G       7.025kg \r", weighed(7.025)},
		{"kg", 3, "", "\nR\r", "\n 1GM      7.650kg \r", moving(weighed(7.65))},
		{"kg", 3, "", "\nW\r", "\n 1G       1.250kg \r", weighed(1.25)},
		{"kg", 3, "\nT0.005\r", "\nW\r", "\n 1N      -0.005kg \r", weighed(0)},
		{"kg", 3, "", "\nW\r", "\nO1G      31.250kg \r", over},
		{"kg", 3, "", "\nW\r", "\nU1GM     -2.340kg \r", under},
		{"kg", 3, "", "\nZ\r", "\nE1GM ----------kg \r", moving(weighed(1))},
		{"kg", 3, "", "\nT\r", "\nT1GM ----------kg \r", moving(weighed(1))},
		{"kg", 3, "\nT0.2\r", "\nM\r", "\n 1T       0.200kg \r", weighed(1)},
		{"kg", 3, "", "\nD\r", "\n    \r", weighed(1)},
		{"kg", 3, "", "\nA\r", "\nSMA:2/1.0\r", weighed(1)},
		{"kg", 3, "", "\nK\r", "\n?\r", weighed(1)},
		{"kg", 3, "", "\nW\x80\r", "\n!\r", weighed(1)},
		{"g", 0, "", "\nP\r", "\n 1G       12345g  \r", weighed(12.345)},
		{"oz", 1, "", "\nQ\r", "\n 1g       16.00oz \r", Sample{FineKg: lb, ResolutionKg: lb / 160, Stable: true}},
		{"kg", 3, "\nU\r", "\nW\r", "\n 1G        1250g  \r", weighed(1.25)},
		{"kg", 3, "\nUlb \r", "\nW\r", "\n 1G       2.756lb \r", weighed(1.25)},
		{"kg", 3, "", "\nUst \r", "\n?\r", weighed(1.25)},
		{"kg", 3, "\nT\r\nC\r", "\nW\r", "\n 1G       1.250kg \r", weighed(1.25)},
		{"kg", 3, "", "\nT\r", "\n 1N       0.000kg \r", weighed(1.25)},
		{"kg", 3, "", "\nT\r", "\nT1G  ----------kg \r", weighed(0)},
		{"kg", 3, "", "\nT\r", "\nT1G  ----------kg \r", over},
		{"kg", 3, "", "\nT\r", "\nT1GM ----------kg \r", under},
		{"kg", 3, "\nT\r", "\nC\r", "\n 1G       1.250kg \r", weighed(1.25)},
		{"kg", 3, "", "\nT0.2\r", "\n 1N       1.050kg \r", weighed(1.25)},
		{"kg", 3, "\nT\r", "\nT0\r", "\n 1G       1.250kg \r", weighed(1.25)},
		{"kg", 3, "", "\nTx\r", "\n?\r", weighed(1.25)},
		{"kg", 3, "", "\nT-1\r", "\n?\r", weighed(1.25)},
		{"kg", 3, "", "\nUoz\r", "\n 1G       44.09oz \r", weighed(1.25)},
		{"kg", 3, "\nU\r\nU\r\nU\r\nU\r", "\nW\r", "\n 1G       1.250kg \r", weighed(1.25)},
		{"kg", 3, "\nU\r\nU\r", "\nU\r", "\n 1G       44.09oz \r", weighed(1.25)},
		{"kg", 3, "\nA\r", "\nB1\r", "\n?\r", weighed(1.25)},
		{"kg", 3, "\nA\r\nW\r", "\nB\r", "\n?\r", weighed(1.25)},
		{"kg", 3, "", "\nTNaN\r", "\n?\r", weighed(1.25)},
	} {
		w := &SMAWire{Unit: c.unit, Decimals: c.decimals}
		for _, before := range strings.SplitAfter(c.before, "\r") {
			talk(t, w, before, c.s)
		}
		if got := talk(t, w, c.command, c.s); got != c.want {
			t.Errorf("%q after %q: %q, want %q", c.command, c.before, got, c.want)
		}
	}
}

func TestSMALists(t *testing.T) {
	w := &SMAWire{Unit: "kg", Decimals: 3, Capacity: 30}
	var got strings.Builder
	for _, c := range "ABBBBBBINNNNNNBN" {
		got.WriteString(talk(t, w, "\n"+string(c)+"\r", weighed(1)))
	}
	want := "\nSMA:2/1.0\r\nMFG:Example\r\nMOD:Bench 30\r\nREV:1\r\nSN :0\r\nEND:\r\n?\r" +
		"\nSMA:2/1.0\r\nTYP:S\r\nCAP:kg :30.000:0.005:3\r\nCMD:ABCDHIMNPQRSTUWZ\r\nEND:\r\n?\r\n?\r\n?\r\n?\r"
	if got.String() != want {
		t.Errorf("got  %q\nwant %q", got.String(), want)
	}
}

// Capacity and display step are sent in the unit of the scale: 0.005 kg is 0.011 lb.
func TestSMAReportsCapacityInItsUnit(t *testing.T) {
	w := &SMAWire{Unit: "lb", Decimals: 3, Capacity: 60}
	talk(t, w, "\nI\r", weighed(1))
	talk(t, w, "\nN\r", weighed(1))
	if got := talk(t, w, "\nN\r", weighed(1)); got != "\nCAP:lb :60.000:0.011:3\r" {
		t.Errorf("%q", got)
	}
}

func TestSMARepeatsUntilNextCommand(t *testing.T) {
	for _, stop := range []string{"\nW\r", "\nK\r", "\x1b", "\n\x1b"} {
		w := &SMAWire{Unit: "kg", Decimals: 3}
		if w.Stream(weighed(1)) != nil {
			t.Error("streams unasked")
		}
		talk(t, w, "\nS\r", weighed(1))
		if got := string(w.Stream(weighed(1.5))); got != "\n 1g      1.5000kg \r" {
			t.Errorf("repeats %q", got)
		}
		talk(t, w, stop, weighed(1))
		if w.Stream(weighed(1)) != nil {
			t.Errorf("%q does not stop the repeating", stop)
		}
	}
}

// A command may arrive in pieces or after garbage, and two may arrive at once.
func TestSMAFindsItsFrames(t *testing.T) {
	w := &SMAWire{Unit: "kg", Decimals: 3}
	for _, c := range []struct {
		request string
		used    int
		reply   string
	}{
		{"", 0, ""},
		{"\n", 0, ""},
		{"\nW", 0, ""},
		{"xyz", 3, ""},
		{"xyz\nW", 3, ""},
		{"W\r\nW\r", 5, "\n 1G       1.000kg \r"},
		{"\nW\r\nK\r", 3, "\n 1G       1.000kg \r"},
		{"\nQQ\nW\r", 6, "\n 1G       1.000kg \r"},
		{"\n\r", 2, "\n?\r"},
		{"\nW1\r", 4, "\n?\r"},
		{"\n" + strings.Repeat("W", 40), 41, "\n!\r"},
	} {
		reply, used := w.Answer([]byte(c.request), weighed(1))
		if used != c.used || string(reply) != c.reply {
			t.Errorf("%q: used %d, %q; want %d, %q", c.request, used, reply, c.used, c.reply)
		}
	}
}
