package sensors

import (
	"bytes"
	"strconv"
	"strings"
	"testing"

	"bayfill/fillcalc"
)

// SMA SCP-0499 (1999, Mod 1 of 2005), standard reply and commands W, H, Z, R:
// the standard's examples as reprinted in indicator manuals; the rest composed
// from its field layout, as each entry of the file says. Pound of 0.45359237 kg:
// NIST SP 811 (2008), Appendix B.
func TestSMAPublishedFrames(t *testing.T) {
	want := map[string]outcome{
		"\n 1G       5.025lb \r": good(5.025*0.45359237, fillcalc.Stable),
		"\n 1N      100000lb \r": good(100000*0.45359237, fillcalc.Stable),
		"\n 1g      5.0025lb \r": good(5.0025*0.45359237, fillcalc.Stable),
		"\nZ1G       0.000lb \r": good(0, fillcalc.Stable),
		"\n 1G       7.025kg \r": good(7.025, fillcalc.Stable),
		"\n 1GM      7.650kg \r": good(7.65, fillcalc.InMotion),
		"\n 1G       1.250kg \r": good(1.25, fillcalc.Stable),
		"\n 1N      -0.005kg \r": good(-0.005, fillcalc.Stable),
		"\nO1G      31.250kg \r": bad(fillcalc.FaultOverload, "status", 1),
		"\nU1GM     -2.340kg \r": bad(fillcalc.FaultUnderload, "status", 1),
		"\nE1GM ----------kg \r": bad(fillcalc.FaultSensor, "status", 1),
		"\nT1GM ----------kg \r": bad(fillcalc.FaultSensor, "status", 1),
		"\n 1T       0.200kg \r": bad(fillcalc.FaultFrame, "kind", 3),
		"\n 2G       12.34kg \r": good(12.34, fillcalc.Stable),
		"\n    \r":               bad(fillcalc.FaultFrame, "frame", 0),
		"\nSMA:2/1.0\r":          bad(fillcalc.FaultFrame, "frame", 0),
		"\n?\r":                  bad(fillcalc.FaultFrame, "reply", 1),
		"\n!\r":                  bad(fillcalc.FaultChecksum, "reply", 1),
	}
	var published []struct{ Reply, Hex, Source string }
	frames(t, "sma_frames.json", &published)
	p := mustNew(t, "sma", Options{Quantity: Weight})
	met := 0
	for _, entry := range published {
		frame := unhex(t, entry.Hex)
		if string(frame) != entry.Reply {
			t.Errorf("%q: hex and text differ", entry.Reply)
		}
		expect, ok := want[entry.Reply]
		if !ok {
			t.Errorf("%q (%s): no expectation", entry.Reply, entry.Source)
			continue
		}
		met++
		// The standard prints a blank as an underscore; both are read alike.
		for _, form := range [][]byte{frame, bytes.ReplaceAll(frame, []byte(" "), []byte("_"))} {
			advance, found := p.Split(form)
			if advance != len(form) || !bytes.Equal(found, form) {
				t.Errorf("%q: Split took %d bytes as %q", form, advance, found)
			}
			r, err := p.Parse(form)
			same(t, form, Weight, r, err, expect)
		}
	}
	if met != len(want) {
		t.Errorf("%d of %d expectations met in the file", met, len(want))
	}
}

// Composed from the field layout of SCP-0499: what each position may hold.
func TestSMAPlaces(t *testing.T) {
	tests := []struct {
		frame string
		unit  string
		want  outcome
	}{
		{"\nI1GM ----------kg \r", "", bad(fillcalc.FaultSensor, "status", 1)},
		// One manual's extension: the weight is not being displayed.
		{"\ne1G       1.250kg \r", "", bad(fillcalc.FaultSensor, "status", 1)},
		{"\nX1G       1.250kg \r", "", bad(fillcalc.FaultFrame, "status", 1)},
		{"\n 0G       1.250kg \r", "", bad(fillcalc.FaultFrame, "range", 2)},
		{"\n 1X       1.250kg \r", "", bad(fillcalc.FaultFrame, "kind", 3)},
		{"\n 1GX      1.250kg \r", "", bad(fillcalc.FaultFrame, "motion", 4)},
		{"\n 1n      1.2505kg \r", "", good(1.2505, fillcalc.Stable)},
		{"\n 1G X     1.250kg \r", "", good(1.25, fillcalc.Stable)}, // byte 5 is reserved: ignored
		{"\n 1G      1.250 kg \r", "", bad(fillcalc.FaultFrame, "weight", 15)},
		{"\n 1G      - 1.25kg \r", "", bad(fillcalc.FaultFrame, "weight", 6)},
		{"\n 1G      -_1.25kg \r", "", bad(fillcalc.FaultFrame, "weight", 6)},
		{"\n 1G      +1.250kg \r", "", bad(fillcalc.FaultFrame, "weight", 6)},
		{"\n 1G       1,250kg \r", "", bad(fillcalc.FaultFrame, "weight", 6)},
		{"\n 1G     1.2.250kg \r", "", bad(fillcalc.FaultFrame, "weight", 6)},
		{"\n 1G       1e250kg \r", "", bad(fillcalc.FaultFrame, "weight", 6)},
		{"\n 1G  ----------kg \r", "", bad(fillcalc.FaultFrame, "weight", 15)},
		{"\n 1G            kg \r", "", bad(fillcalc.FaultFrame, "weight", 15)},
		{"\n 1G       1.250g  \r", "", good(0.00125, fillcalc.Stable)},
		{"\n 1G       1.250oz \r", "", good(1.25*0.028349523125, fillcalc.Stable)},
		{"\n 1G       1.250 kg\r", "", bad(fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", 16)},
		{"\n 1G       1.250ozt\r", "", bad(fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", 16)},
		{"\n 1G       1.250t  \r", "kg", bad(fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", 16)},
		{"\n 1G       1.250   \r", "lb", good(1.25*0.45359237, fillcalc.Stable)},
		{"\n 1G       1.250   \r", "", bad(fillcalc.FaultNoUnit, "unit", 16)},
		// Eleven weight characters, as drawn in one manual; the standard has ten.
		{"\n 1G        1.250kg \r", "", bad(fillcalc.FaultFrame, "frame", 0)},
		{"\n 1G      1.250kg \r", "", bad(fillcalc.FaultFrame, "frame", 0)},
		{"", "", bad(fillcalc.FaultFrame, "frame", 0)},
	}
	for _, test := range tests {
		p := mustNew(t, "sma", Options{Quantity: Weight, Unit: test.unit})
		r, err := p.Parse([]byte(test.frame))
		same(t, []byte(test.frame), Weight, r, err, test.want)
	}
}

// There is no checksum, so each position is checked against its characters. One
// changed byte gives a fault or leaves the value, unless it makes another
// well-formed weight or unit, which cannot be detected. (Composed from the field
// layout.)
func TestSMAOneByteChanged(t *testing.T) {
	const frame = "\n 1G       1.250kg \r"
	p := mustNew(t, "sma", Options{Quantity: Weight})
	for at := range len(frame) {
		for c := range 256 {
			changed := []byte(frame)
			changed[at] = byte(c)
			r, err := p.Parse(changed)
			sound(t, changed, Weight, r, err)
			if err != nil {
				continue
			}
			want := 1.25
			if 6 <= at && at <= 15 {
				// Independent of the code under test: the standard library's parser.
				shown := strings.Trim(string(changed[6:16]), " _")
				var failed error
				if want, failed = strconv.ParseFloat(shown, 64); failed != nil {
					t.Errorf("%q: read as %g", changed, r.Value)
				}
			}
			if r.Value != want || r.Faults != 0 {
				t.Errorf("%q: %g %v, want %g", changed, r.Value, r.Faults.Names(), want)
			}
		}
	}
}

// SCP-0499, commands W (weight) and R (repeat): LF starts, CR ends.
func TestSMARequests(t *testing.T) {
	polled := mustNew(t, "sma", Options{Quantity: Weight})
	if string(polled.Poll) != "\nW\r" || polled.Start != nil {
		t.Errorf("polled: %q and %q", polled.Poll, polled.Start)
	}
	repeated := mustNew(t, "sma", Options{Quantity: Weight, Repeat: true})
	if string(repeated.Start) != "\nR\r" || repeated.Poll != nil {
		t.Errorf("repeated: %q and %q", repeated.Start, repeated.Poll)
	}
	if _, err := New("sma", Options{Quantity: Temperature}); err == nil {
		t.Error("a probe that speaks sma was accepted")
	}
}
