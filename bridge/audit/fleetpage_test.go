package audit

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/words"
)

// checkFleetPage fails unless the page needs no other file, contains only figures that
// can be drawn, and contains a text.
func checkFleetPage(t *testing.T, f *Fleet, has string) {
	t.Helper()
	var page bytes.Buffer
	if err := f.WriteHTML(&page, words.Plain); err != nil {
		t.Fatal(err)
	}
	if bad := regexp.MustCompile(`(?i)<script|\b(src|href|on[a-z]+)=|://|url\(|@import|NaN|[+-]Inf|ZgotmplZ|%!`).FindString(page.String()); bad != "" {
		t.Errorf("the page holds %q", bad)
	}
	if !strings.Contains(page.String(), has) {
		t.Errorf("the page does not hold %q", has)
	}
	var spanish bytes.Buffer
	if err := f.WriteHTML(&spanish, usSpanish); err != nil {
		t.Fatal(err)
	}
	noEnglish(t, spanish.String())
	if shots := os.Getenv("BAYFILL_SCREENSHOTS"); shots != "" {
		for language, text := range map[string][]byte{"en": page.Bytes(), "es": spanish.Bytes()} {
			if err := os.WriteFile(filepath.Join(shots, fmt.Sprintf("fleet-%d-%s.html", len(f.Carts), language)), text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// noEnglish fails when a page in Spanish holds a text of the English catalogues. Short texts
// may be the same by chance.
func noEnglish(t *testing.T, page string) {
	t.Helper()
	spanish := words.Sentences(words.Spanish)
	for key, text := range words.Sentences(words.English) {
		if len(text) > 12 && !strings.Contains(text, "{") && text != spanish[key] && strings.Contains(page, html.EscapeString(text)) {
			t.Errorf("the page says %q, which is %s in English", text, key)
		}
	}
}

// Any values give a chart without NaN or infinite figures.
func TestFleetPictures(t *testing.T) {
	alternating := make([]float64, 40)
	for i := range alternating {
		alternating[i] = 1e300 * float64(i%2*2-1)
	}
	for name, x := range map[string][]float64{
		"none": nil, "one": {3}, "two": {3, 4}, "equal": make([]float64, 40), "unknown": {math.NaN(), math.NaN()},
		"huge": {math.MaxFloat64, -math.MaxFloat64}, "large": alternating, "gap": {1, math.NaN(), 2}, "tiny": {5e-324, 0}, "near": {1e15, math.Nextafter(1e15, 2e15)},
	} {
		t.Run(name, func(t *testing.T) {
			g := &FleetGroup{Shop: "hilltop", Cart: "bay1", Balance: chartOf(x), Refill: chartOf(x)}
			for i, v := range x {
				g.Bottles.addCheck(FleetPoint{AtNs: int64(i), X: v, Sensor: "pump"})
				g.Zero.addCheck(FleetPoint{AtNs: int64(i), X: v, Sensor: "pan"})
			}
			g.Bottles.levelFluids()
			g.Bottles.judge()
			g.Bottles.say(0.1, bottlesMoved)
			g.Zero.judge()
			g.Zero.say(20, zeroMoved)
			g.Balance.Older = []FleetMean{{0, int64(24 * time.Hour), 3, 7}}
			checkFleetPage(t, &Fleet{Carts: []*FleetGroup{g}}, "hilltop/bay1")
			if _, err := json.Marshal(g); err != nil {
				t.Error(err)
			}
		})
	}
}

// The report of a large fleet begins with the carts that drift, however many there are, and
// counts the others.
func TestFleetBeginsShort(t *testing.T) {
	f := &Fleet{}
	for i := range 60 {
		x := make([]float64, 40)
		for k := range x {
			x[k] = float64(k%2 + i%7)
			if i%2 == 1 && k >= 20 {
				x[k] += 500
			}
		}
		f.Carts = append(f.Carts, &FleetGroup{Shop: "hilltop", Cart: fmt.Sprintf("bay%02d", i), Balance: chartOf(x)})
	}
	short := f.Short()
	for _, g := range short.Carts {
		if len(g.Drifts(words.Plain)) == 0 {
			t.Errorf("%s comes first and does not drift", g.Name())
		}
	}
	if len(short.Carts) != maxOverviewRows || short.Others != 60-maxOverviewRows || short.Drifting != 30-maxOverviewRows {
		t.Errorf("%d carts, %d others, %d of them drift", len(short.Carts), short.Others, short.Drifting)
	}
	var b strings.Builder
	if err := f.WriteHTML(&b, words.Plain); err != nil {
		t.Fatal(err)
	}
	if bullets := strings.Count(b.String(), "\n<li>"); bullets != maxOverviewRows+1 || !strings.Contains(b.String(), "36 others are in the table below; 6 of them drift.") {
		t.Errorf("%d sentences begin the report", bullets)
	}
	f.Carts = f.Carts[:maxOverviewRows]
	if short = f.Short(); short.Carts[0] != f.Carts[0] || short.Others != 0 {
		t.Errorf("a small fleet is not shown in order: %+v", short)
	}
}

// WCAG 2.2, success criterion 1.4.6: the contrast of each colour of the page with the
// paper.
func TestFleetContrast(t *testing.T) {
	light := func(colour string) (l float64) {
		n, err := strconv.ParseUint(colour[1:], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		for i, weight := range []float64{0.0722, 0.7152, 0.2126} {
			c := float64(n>>(8*i)&0xff) / 255
			if c <= 0.04045 {
				l += weight * c / 12.92
			} else {
				l += weight * math.Pow((c+0.055)/1.055, 2.4)
			}
		}
		return l
	}
	colours := regexp.MustCompile(`#[0-9a-f]{6}\b`).FindAllString(fleetPage, -1)
	if len(colours) != 3 || colours[2] != "#ffffff" {
		t.Fatalf("colours %v: ink, soft and paper are expected", colours)
	}
	for _, c := range colours[:2] {
		if ratio := 1.05 / (light(c) + 0.05); ratio < 7 {
			t.Errorf("%s on white: %.1f", c, ratio)
		}
	}
}
