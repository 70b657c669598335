package audit

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

var (
	metricEnglish = words.Reader{Language: words.English, Units: units.Metric, Zone: time.UTC}
	usSpanish     = words.Reader{Language: words.Spanish, Units: units.US, Zone: time.UTC}
)

func ticketOf(t testing.TB, rec *Record, rep *Report, reader words.Reader) string {
	t.Helper()
	var b strings.Builder
	if err := WriteTicket(&b, rec, rep, fillcalc.DefaultToleranceL, reader); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// full plays a job with a line of each kind on its ticket.
func full(t testing.TB) *Record {
	spec := vanJob()
	spec.Vehicle, spec.ServiceData, spec.Batch = "Tern 2.4 van, 2031", "van6", "L2381-07"
	spec.AskedFluid, spec.OtherFluid = "amber 8", "the maker's note of May allows it"
	p := open(t, calibrated(), spec)
	p.run(4, 0, 0, 0)
	p.record(fillcalc.Record{Item: fillcalc.LevelBefore, Result: fillcalc.Low})
	p.phase(fillcalc.Draining)
	p.run(40, 0.06, 0, 0)
	p.do(fillcalc.Input{Do: fillcalc.DoEnter, Entry: &fillcalc.Entry{What: fillcalc.EnterSpilled, L: 0.05, UL: 0.02}})
	p.run(10, 0, 0, 0)
	p.phase(fillcalc.Service)
	p.by = "Ben"
	p.record(fillcalc.Record{Item: fillcalc.Filter, Result: fillcalc.Done, Part: "F-2207"})
	p.record(fillcalc.Record{Item: fillcalc.Seal, Result: fillcalc.Done, Count: 1, Part: "S-11"})
	p.record(fillcalc.Record{Item: fillcalc.Magnet, Result: fillcalc.NotNeeded, Note: "has none"})
	p.record(fillcalc.Record{Item: fillcalc.Pan, Result: fillcalc.Done})
	p.record(fillcalc.Record{Item: fillcalc.Gasket, Result: fillcalc.Done, Part: "G-305 B"})
	p.record(fillcalc.Record{Item: fillcalc.Torque, Result: fillcalc.Done, SpecifiedNM: 11, AppliedNM: 10.9596, Written: "97 in-lb"})
	p.run(6, 0, 0, 0)
	p.phase(fillcalc.Filling)
	p.run(6, 0, 0, 0)
	p.run(40, 0, 0.06, 0)
	p.run(8, 0, 0, 0)
	p.phase(fillcalc.Running)
	p.run(20, 0, 0, 0.5)
	p.phase(fillcalc.Checking)
	p.run(30, 0, 0, 0.2)
	p.record(levelRight)
	p.run(6, 0, 0, 0)
	return p.end().keep()
}

// The ticket says what a shop puts on it, in the words and units of who reads it.
func TestTicketSays(t *testing.T) {
	rec := full(t)
	rep := Check(rec, testTrust)
	v := rep.state.Volumes()
	for _, c := range []struct {
		reader words.Reader
		says   []string
	}{
		{metricEnglish, []string{
			`<html lang="en">`, "Job ticket", "Came out<strong>" + units.Metric.LargeVolumeUnit().Digits(v.DrainedL) + " ± 0.0", "and 50 mL beside the caddy", "target 2.86 ± 0.0", "window 35.0 °C to 45.0 °C",
			"Level at the end<strong>right</strong>", "<dt>Vehicle</dt><dd>Tern 2.4 van, 2031</dd>", "<dt>Service data</dt><dd>van6</dd>",
			"amber 6, batch L2381-07 instead of amber 8: the maker&#39;s note of May allows it", "<dt>Technician</dt><dd>Ada, Ben</dd>",
			"<dt>Pan bolts</dt><dd>11.0 N·m, specified 11.0 N·m</dd>", "<dt>Parts</dt><dd>filter F-2207; filter seal S-11; gasket G-305 B</dd>", "<dt>Level before</dt><dd>low</dd>",
			"<span>magnet cleaned</span><span>not needed; has none</span>", "<span>looked for leaks</span><span>–</span>",
			"Used oil goes into its own container", "bayfill audit job " + rec.Job,
		}},
		{usSpanish, []string{
			`<html lang="es">`, "Hoja de trabajo", "Salió<strong>" + units.US.LargeVolumeUnit().Digits(v.DrainedL) + " ± 0.0", "qt</strong>", "ventana de 95 °F a 113 °F",
			"<dt>Tornillos del cárter</dt><dd>97 in-lb, especificado 97 in-lb</dd>", "lote L2381-07",
		}},
	} {
		page := ticketOf(t, rec, rep, c.reader)
		for _, text := range c.says {
			if !strings.Contains(page, text) {
				t.Errorf("%s: it lacks %q", c.reader.Language, text)
			}
		}
		if left := regexp.MustCompile(`\{@?[a-z_]+|>(ticket|part|item|result|outcome|criterion|caution|phase)\.[a-z_]+<`).FindString(page); left != "" {
			t.Errorf("%s: %s is not worded", c.reader.Language, left)
		}
	}
}

// What is missing for a pass stands under the verdict, and a job that is open says so.
func TestTicketOfOtherJobs(t *testing.T) {
	rec := byTheBook(t, calibrated(), vanJob()).keep()
	page := ticketOf(t, rec, Check(rec, testTrust), metricEnglish)
	for _, text := range []string{"This job is still open: checking.", "<strong>not verified</strong>", "The record is the same and complete: not verified", "not judged", "<strong>–</strong>"} {
		if has := strings.Contains(page, text); has == (text == "<strong>–</strong>") {
			t.Errorf("%q: %t", text, has)
		}
	}
	page = ticketOf(t, &Record{Job: "gone"}, Check(&Record{Job: "gone"}, testTrust), metricEnglish)
	if !strings.Contains(page, "Came out<strong>–</strong>") {
		t.Error("of nothing, something came out")
	}
}

// What people write is text on the ticket, and no script or other file is needed.
func TestTicketEscapesText(t *testing.T) {
	rec, rep := hostile(t)
	page := ticketOf(t, rec, rep, metricEnglish)
	if n := strings.Count(page, "&lt;script&gt;"); n < 5 {
		t.Errorf("it is shown only %d times", n)
	}
	for _, tag := range []string{"<script", "<img", "<link", "<iframe", " onerror=x()>"} {
		if strings.Contains(page, tag) {
			t.Errorf("the page has %s", tag)
		}
	}
	if strings.ContainsAny(page, "\u202e\u2066\u200f\x00") || strings.Count(page, "</style>") != 1 {
		t.Error("a text leaves its place")
	}
}

// The ticket is one page on A5 and on half Letter, in both languages, however long the texts
// are. BAYFILL_SCREENSHOTS names a folder for pictures.
func TestTicketOnPaper(t *testing.T) {
	tab := bridgetest.StartChromium(t)
	dir, shots := t.TempDir(), os.Getenv("BAYFILL_SCREENSHOTS")
	rec := full(t)
	long, longReport := hostile(t)
	for name, page := range map[string]string{
		"full-en": ticketOf(t, rec, Check(rec, testTrust), metricEnglish), "full-es": ticketOf(t, rec, Check(rec, testTrust), usSpanish),
		"hostile-es": ticketOf(t, long, longReport, usSpanish),
	} {
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
		}{{"A5", 559, 794, chromedp.PaperSize{Width: 148 / 25.4, Height: 210 / 25.4}}, {"half-Letter", 528, 816, chromedp.PaperSize{Width: 5.5, Height: 8.5}}} {
			const marginsMM = 16 // as @page has them
			width, height := paper.width-marginsMM*960/254, paper.height-marginsMM*960/254
			bridgetest.InBrowser(t, tab, chromedp.Steps(chromedp.EmulateViewport(width, height)))
			for _, wrong := range bridgetest.InBrowser(t, tab, chromedp.Evaluate[[]string](layoutErrors)) {
				t.Errorf("%s on %s: %s", name, paper.name, wrong)
			}
			pdf := bridgetest.InBrowser(t, tab, chromedp.PrintToPDF(chromedp.PDFPaper(paper.size), chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
			if pages := len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1)); pages != 1 {
				t.Errorf("%s on %s: %d pages", name, paper.name, pages)
			}
			if shots == "" {
				continue
			}
			picture := bridgetest.InBrowser(t, tab, chromedp.FullScreenshot(100))
			for suffix, data := range map[string][]byte{".pdf": pdf, ".png": picture} {
				if err := os.WriteFile(filepath.Join(shots, "ticket-"+name+"-"+paper.name+suffix), data, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}
