package audit

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// pdfText returns the text of each page of a PDF; option is one of pdftotext.
func pdfText(t *testing.T, pdf []byte, option string) (pages []string) {
	t.Helper()
	cmd := exec.Command(bridgetest.NeedProgram(t, "pdftotext"), option, "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSuffix(string(text), "\f"), "\f")
}

// aWord is a word in the output of pdftotext -bbox: its place in points, and its letters.
var aWord = regexp.MustCompile(`<word xMin="([\d.]+)" yMin="([\d.]+)" [^>]*>([^<]*)</word>`)

// checkSheetText checks what a program reads from a printed sheet: no word lies upon itself,
// as an outline of letters would make it, and each page bears the same foot.
func checkSheetText(t *testing.T, pdf []byte, foot ...string) {
	type place struct{ page, x, y int }
	seen := map[string][]place{}
	for page, text := range strings.Split(pdfText(t, pdf, "-bbox")[0], "<page ") {
		for _, m := range aWord.FindAllStringSubmatch(text, -1) {
			x, _ := strconv.ParseFloat(m[1], 64)
			y, _ := strconv.ParseFloat(m[2], 64)
			at := place{page, int(x), int(y)}
			for _, other := range seen[m[3]] {
				if other.page == page && max(other.x-at.x, at.x-other.x, other.y-at.y, at.y-other.y) < 2 {
					t.Errorf("page %d: %q is there twice", page, m[3])
				}
			}
			seen[m[3]] = append(seen[m[3]], at)
		}
	}
	if len(seen) < 100 {
		t.Errorf("only %d words", len(seen))
	}
	for n, text := range pdfText(t, pdf, "-layout") {
		for _, want := range foot {
			if !strings.Contains(text, want) {
				t.Errorf("page %d does not say %q", n+1, want)
			}
		}
	}
}

// checkHeadings prints headings, tables and figures with the style of a page at many heights,
// and finds the headings that stand alone at the end of a page.
func checkHeadings(t *testing.T, tab context.Context, name, page string) {
	var b strings.Builder
	b.WriteString(regexp.MustCompile(`(?s)<style>.*?</style>`).FindString(page))
	for px := 850; px < 1020; px += 5 {
		spacer := fmt.Sprintf(`<div style="break-before:page;height:%dpx"></div>`, px)
		b.WriteString(spacer + `<table><caption>Title</caption><thead><tr><th>Head</th></tr></thead><tbody><tr><td>row</td></tr><tr><td>row</td></tr></tbody></table>` +
			spacer + `<section><h2>Section</h2><p>Words</p><figure><figcaption>Caption</figcaption><svg viewBox="0 0 700 200"><text x="9" y="99">figure</text></svg></figure></section>`)
	}
	file := filepath.Join(t.TempDir(), "headings.html")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	bridgetest.InBrowser(t, tab, chromedp.Steps(chromedp.Navigate("file://"+file)))
	pdf := bridgetest.InBrowser(t, tab, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4), chromedp.PDFPreferCSSPageSize()))
	pages := pdfText(t, pdf, "-raw")
	for n, text := range pages {
		lines := strings.Split(strings.TrimSpace(text), "\n")
		for len(lines) > 0 && !strings.Contains("Title Head Section Words Caption row figure", lines[len(lines)-1]) {
			lines = lines[:len(lines)-1] // the foot
		}
		if last := len(lines) - 1; last >= 0 && lines[last] != "" && lines[last] != "row" && lines[last] != "figure" {
			t.Errorf("%s, page %d ends with a heading: %q", name, n+1, lines)
		}
	}
	if len(pages) < 70 {
		t.Errorf("%d pages", len(pages))
	}
}

// The times of a sheet are local, with their zone, and UTC is beside them.
func TestSheetTimes(t *testing.T) {
	rec := busy(t).keep() // from 09:00 UTC
	reader := words.Plain
	reader.Zone = time.FixedZone("HST", -10*3600)
	var b strings.Builder
	if err := WriteSheet(&b, rec, Check(rec, testTrust), fillcalc.DefaultToleranceL, reader, playedAt); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"2026-11-02 23:00:06 HST (2026-11-03 09:00:06 UTC)", "2026-11-02 23:00 – 23:0", "HST, UTC-10:00"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
}
