package audit

import (
	"bytes"
	"strings"
	"testing"

	"bayfill/bridge/points"
)

// A text that a spreadsheet would take for a formula is made harmless in every table;
// numbers stay numbers.
func TestCellsAreHarmless(t *testing.T) {
	for text, want := range map[string]string{
		"=1+1": "'=1+1", "+1": "'+1", "-1": "'-1", "@a": "'@a", "\tx": "'\tx", "\rx": "'\rx", "van": "van", "": "", "a=1": "a=1",
	} {
		if got := cell(text); got != want {
			t.Errorf("%q: %q", text, got)
		}
	}
	if got := cell(-1.5); got != "-1.5" {
		t.Errorf("a number: %q", got)
	}
	var out bytes.Buffer
	w := newPointWriter(&out, CSV)
	p := points.Point{Measurement: "bayfill_input", Sensor: "@s", AtNs: 1, Fields: points.Fields{"by": "=cmd|' /C calc'!A0", "kg": -1.5}}
	if err := w.write(&p, "+shop", "-cart"); err != nil {
		t.Fatal(err)
	}
	if err := w.end(); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"'=cmd|", "'@s", "'+shop", "'-cart", ",-1.5\n"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the export lacks %q: %s", want, &out)
		}
	}
}
