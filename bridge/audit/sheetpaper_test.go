package audit

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// The sheet fits the paper: nothing is wider than the page, no text overflows its
// place, and it takes no more pages than its content needs.
// BAYFILL_SCREENSHOTS names a folder for pictures.
func TestSheetOnPaper(t *testing.T) {
	tab := bridgetest.StartChromium(t)
	dir, shots := t.TempDir(), os.Getenv("BAYFILL_SCREENSHOTS")
	sheets := map[string]string{}
	sheets["small"], _ = sheetOf(t, busy(t).keep())
	ofStudy := studied(t, 7, 5)
	sheets["study"], _ = sheetOf(t, ofStudy)
	var b strings.Builder
	rec, rep := hostile(t)
	if err := WriteSheet(&b, rec, rep, fillcalc.DefaultToleranceL, words.Plain, playedAt); err != nil {
		t.Fatal(err)
	}
	sheets["hostile"] = b.String()
	for name, page := range sheets {
		file := filepath.Join(dir, name+".html")
		if err := os.WriteFile(file, []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
		bridgetest.InBrowser(t, tab, chromedp.Steps(chromedp.Navigate("file://"+file)))
		bridgetest.InBrowser(t, tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
			_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
			return chromedp.Void{}, err
		})
		for _, paper := range []struct {
			name          string
			width, height int64 // px of 1/96 inch
			size          chromedp.PaperSize
		}{{"A4", 794, 1123, chromedp.PaperA4}, {"Letter", 816, 1056, chromedp.PaperLetter}} {
			const besideMM, aboveMM = 28, 30 // margins, as @page has them
			width, height := paper.width-besideMM*96*10/254, paper.height-aboveMM*96*10/254
			bridgetest.InBrowser(t, tab, chromedp.Steps(chromedp.EmulateViewport(width, height)))
			for _, wrong := range bridgetest.InBrowser(t, tab, chromedp.Evaluate[[]string](layoutErrors)) {
				t.Errorf("%s on %s: %s", name, paper.name, wrong)
			}
			if name != "study" && shots == "" {
				continue
			}
			tall := bridgetest.InBrowser(t, tab, chromedp.Evaluate[float64](`document.documentElement.scrollHeight`))
			pdf := bridgetest.InBrowser(t, tab, chromedp.PrintToPDF(chromedp.PDFPaper(paper.size), chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
			pages, full := float64(len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1))), tall/float64(height)
			t.Logf("%s on %s: %.0f pages for %.1f pages' worth", name, paper.name, pages, full)
			if pages < full || pages > 1.3*full+1 {
				t.Errorf("%s on %s: %.0f pages for %.1f pages' worth", name, paper.name, pages, full)
			}
			if name == "study" && paper.name == "A4" {
				checkSheetText(t, pdf, "printed 2026-11-03 09:00:00 UTC", "Chain "+ofStudy.Summary.Fields[points.ChainField].(string), "Key "+testTrust.Keys[0])
			}
			if shots != "" {
				picture := bridgetest.InBrowser(t, tab, chromedp.FullScreenshot(100))
				for suffix, data := range map[string][]byte{".pdf": pdf, ".png": picture, ".html": []byte(page)} {
					if err := os.WriteFile(filepath.Join(shots, "sheet-"+name+"-"+paper.name+suffix), data, 0o644); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	}
	checkHeadings(t, tab, "sheet", sheets["small"])
	b.Reset()
	if err := new(Fleet).WriteHTML(&b, words.Plain); err != nil {
		t.Fatal(err)
	}
	checkHeadings(t, tab, "fleet", b.String())
}

// layoutErrors lists what is wrong with the layout of the page: elements wider than
// the page, text that is cut off, text of a drawing beyond it or over other text, and
// drawings higher than a page.
const layoutErrors = `(() => {
	const wrong = [], page = document.documentElement;
	if (page.scrollWidth > innerWidth) wrong.push('wider than the page: ' + page.scrollWidth + ' of ' + innerWidth);
	for (const e of document.querySelectorAll('td, th, dd, p, table, figure, svg')) {
		const r = e.getBoundingClientRect();
		if (r.right > innerWidth + 1 || r.left < -1) wrong.push(e.tagName + ' beyond the page: ' + e.textContent.slice(0, 60));
		if (e.scrollWidth > e.clientWidth + 1) wrong.push(e.tagName + ' cut off: ' + e.textContent.slice(0, 60));
	}
	for (const f of document.querySelectorAll('figure')) {
		if (f.getBoundingClientRect().height > innerHeight) wrong.push('a drawing higher than the page');
	}
	for (const svg of document.querySelectorAll('svg')) {
		const frame = svg.getBoundingClientRect(), placed = [];
		for (const text of svg.querySelectorAll('text')) {
			const r = text.getBoundingClientRect();
			if (r.left < frame.left - 1 || r.right > frame.right + 1 || r.bottom > frame.bottom + 1) wrong.push('letters beyond the drawing: ' + text.textContent);
			for (const [o, name] of placed) {
				if (r.left < o.right - 1 && o.left < r.right - 1 && r.top < o.bottom - 5 && o.top < r.bottom - 5) wrong.push('letters on letters: ' + text.textContent + ' on ' + name);
			}
			placed.push([r, text.textContent]);
		}
	}
	return wrong;
})()`
