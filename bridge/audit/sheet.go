package audit

import (
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"sync"
	"time"
	"unicode"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

//go:embed sheet.html
var sheetPage string

// sheetTemplate is never executed itself: each sheet has the functions of its reader.
var sheetTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("sheet").Funcs(sheetFuncs(words.Plain)).Parse(sheetPage))
})

// sheetFuncs are what the sheet says in the words, the zone and the units of its reader. An
// auditor needs SI, so the reader's units stand behind it in brackets, where they are others.
func sheetFuncs(r words.Reader) template.FuncMap {
	times := timesOf(r)
	return template.FuncMap{
		"t":     r.Word,
		"say":   func(key string, pairs ...any) string { return r.Say(textOf(key, pairs)) },
		"said":  func(m wire.Said) string { return m.For(r) },
		"full":  times.Full,
		"day":   times.Day,
		"clock": times.Clock,
		"or0":   func(text string) string { return cmp.Or(text, "–") },
		"next":  func(i int) int { return i + 1 },
		"word":  func(list, code string) string { return wordOr(r, list+"."+code, cmp.Or(code, "–")) },
		"own": func(q units.Quantity, n ...number) string {
			if r.Units == units.Metric || n[0] == 0 || !isNumber(float64(n[0])) {
				return ""
			}
			var texts []string
			for _, si := range n {
				texts = append(texts, r.Units.Unit(q, float64(si)).Text(float64(si)))
			}
			return " (" + strings.Join(texts, " – ") + ")"
		},
		"ownVolume": func(n number) string { return r.Units.LargeVolumeUnit().Digits(float64(n)) },
		"ownUnit": func() string {
			if r.Units == units.Metric {
				return ""
			}
			return r.Units.LargeVolumeUnit().Symbol
		},
	}
}

// textOf makes a text of a key and pairs of a name and its value.
func textOf(key string, pairs []any) fillcalc.Text {
	t := fillcalc.Text{Key: key, Figures: figures{}, Names: labels{}}
	for i := 0; i+1 < len(pairs); i += 2 {
		name := fmt.Sprint(pairs[i])
		switch v := pairs[i+1].(type) {
		case int:
			t.Figures[name] = float64(v)
		case int64:
			t.Figures[name] = float64(v)
		case number:
			t.Figures[name] = float64(v)
		default:
			t.Names[name] = fmt.Sprint(v)
		}
	}
	return t
}

// sheet is what the template shows: page 1 for the customer, and the evidence behind it.
type sheet struct {
	*SheetData
	Front *ticket
	Lang  words.Language
	Zone  string       // of all times
	Foot  template.CSS // of each page, as a CSS string
}

// cssString writes lines as a CSS string: anything but letters and digits as its code point
// (CSS Syntax Module Level 3, section 4.3.7).
func cssString(lines ...string) template.CSS {
	var b strings.Builder
	for _, r := range strings.Join(lines, "\n") {
		if r < 128 && (unicode.IsLetter(r) || unicode.IsDigit(r)) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "\\%06x", r)
		}
	}
	return template.CSS(`"` + b.String() + `"`)
}

// WriteSheet writes the audit sheet: one page of HTML that needs no other file and
// no script, and prints on A4 and Letter. The first page is for the customer, in the reader's
// units; in the evidence amounts are in SI, with those of the reader beside them. printed is
// when it is printed; zero: that is not said.
func WriteSheet(w io.Writer, rec *Record, rep *Report, toleranceL float64, r words.Reader, printed time.Time) error {
	page, err := sheetTemplate().Clone()
	if err != nil {
		return err
	}
	d := NewSheetData(rec, rep, toleranceL, r)
	if !printed.IsZero() {
		d.Printed = instant(printed.UnixNano())
	}
	times := timesOf(r)
	foot := []string{r.Say(fillcalc.Text{Key: "sheet.foot", Names: labels{"job": cut(d.Job, longText), "printed": times.Full(d.Printed)}})}
	for _, line := range []struct{ key, text string }{{"sheet.chain", d.Chain}, {"sheet.key", d.Signature.Key}} {
		if line.text != "" {
			foot = append(foot, r.Word(line.key)+" "+cut(line.text, 2*longText))
		}
	}
	s := sheet{d, newTicket(d, r), r.Language, times.Zone(cmp.Or(d.Ended, d.Opened)), cssString(foot...)}
	return writePage(w, page.Funcs(sheetFuncs(r)), s)
}

// writePage executes a template, and shows what would turn the direction of writing.
func writePage(w io.Writer, page *template.Template, data any) error {
	var text strings.Builder
	if err := page.Execute(&text, data); err != nil {
		return err
	}
	_, err := visibleDirections.WriteString(w, text.String())
	return err
}

// visibleDirections replaces the characters that change the direction of writing by
// their names: in a name they would let the words of the sheet read backwards.
var visibleDirections = strings.NewReplacer("\u202a", "[U+202A]", "\u202b", "[U+202B]", "\u202c", "[U+202C]", "\u202d", "[U+202D]", "\u202e", "[U+202E]",
	"\u2066", "[U+2066]", "\u2067", "[U+2067]", "\u2068", "[U+2068]", "\u2069", "[U+2069]", "\u200e", "[U+200E]", "\u200f", "[U+200F]")
