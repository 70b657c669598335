package audit

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"bayfill/bridge/points"
)

// Only flux.go turns text into a query, and there every value is quoted or checked: a
// name that is an expression stays a text.
func TestQueriesAreBuiltFromValues(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	converts := regexp.MustCompile(`\bflux\([^")` + "`" + `]`)
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if file != "flux.go" && !strings.HasSuffix(file, "_test.go") && converts.Match(text) {
			t.Errorf("%s makes a query of a text itself: %s", file, converts.Find(text))
		}
	}
	for _, c := range []struct {
		got  flux
		want string
	}{
		{is("cart", `x" or true) |> limit(n:1) //`), `r.cart == "x\" or true) |> limit(n:1) //"`},
		{is("cart", `a\`), `r.cart == "a\\"`},
		{is("cart", `${r.shop}`), `r.cart == "\${r.shop}"`},
		{holds("body", `x/) |> limit(n:1) //`), `r.body =~ /x\/\) \|> limit\(n:1\) \/\//`},
		{holds("body", `.*`), `r.body =~ /\.\*/`},
	} {
		if string(c.got) != c.want {
			t.Errorf("%s, want %s", c.got, c.want)
		}
	}
	defer func() {
		if recover() == nil {
			t.Error("an expression is accepted as the name of a column")
		}
	}()
	name("job) or (r.x")
}

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
