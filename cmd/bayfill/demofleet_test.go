package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
)

// catchOpened stands in for the program that opens a page on a screen. It returns the page.
func catchOpened(t *testing.T) (page func() string) {
	t.Helper()
	bin := t.TempDir()
	script := "#!/bin/sh\nprintf %s \"$1\" > " + filepath.Join(bin, "opened") + "\n"
	if err := os.WriteFile(filepath.Join(bin, "xdg-open"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", bin+":"+os.Getenv("PATH"))
	t.Setenv("DISPLAY", ":0")
	return func() string {
		text, err := os.ReadFile(filepath.Join(bin, "opened"))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
}

// readFleetPage reads the page of the head office as a browser shows it: it names the
// scale that has moved, every cart has its charts, and nothing is cut off.
func readFleetPage(t *testing.T, page string) {
	tab := bridgetest.StartChromium(t)
	bridgetest.InBrowser(t, tab, chromedp.Steps(chromedp.EmulateViewport(1000, 800), chromedp.Navigate("file://"+page)))
	says := bridgetest.InBrowser(t, tab, chromedp.Evaluate[string]("document.body.innerText"))
	moved := bridgetest.InBrowser(t, tab, chromedp.Evaluate[string]("[...document.querySelectorAll('li')].find(e => e.innerText.startsWith('hilltop/bay07: ')).innerText"))
	if !strings.Contains(moved, "la balanza supply-scale se ha movido +0.8") {
		t.Errorf("of the scale that moved it says %q", moved)
	}
	for cart := range fleetCarts {
		if name := "hilltop/" + fleetCartName(cart+1); !strings.Contains(says, name) {
			t.Errorf("%s is not on the page", name)
		}
	}
	if strings.Contains(says, "{{") || strings.Contains(says, "fleet.") {
		t.Errorf("a key in the place of a sentence:\n%s", says)
	}
	bridgetest.Spanish(t, says, "NIST/SEMATECH e-Handbook of Statistical Methods")
	// Pictures as large as they are to be read: the lines of a chart are not empty.
	const drawn = `[...document.querySelectorAll('svg')].filter(s => {
		const r = s.getBoundingClientRect(), lines = [...s.querySelectorAll('path')].filter(p => p.getTotalLength() > 100)
		return r.width > 600 && r.height > 100 && lines.length > 0
	}).length`
	if n := bridgetest.InBrowser(t, tab, chromedp.Evaluate[int](drawn)); n < fleetCarts {
		t.Errorf("%d pictures are drawn", n)
	}
	if wide := bridgetest.InBrowser(t, tab, chromedp.Evaluate[int]("document.documentElement.scrollWidth")); wide > 1000 {
		t.Errorf("the page is %d pixels wide", wide)
	}
	if dir := os.Getenv("BAYFILL_SCREENSHOTS"); dir != "" {
		png := bridgetest.InBrowser(t, tab, chromedp.FullScreenshot(100))
		if err := os.WriteFile(filepath.Join(dir, "fleet.png"), png, 0o644); err != nil {
			t.Error(err)
		}
	}
}

// The demo of the head office finds the one scale that has moved, and no other.
func TestDemoFleet(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "fleet")
	opened := catchOpened(t)
	status, out, errors := program(t.Context(), "demo", "fleet", "--dir", dir, "--lang", "es")
	if status != 0 {
		t.Fatalf("status %d: %s%s", status, out, errors)
	}
	// Charts of twenty scales give a false alarm now and then: what is said agrees with the list.
	moved, listed := strings.Count(out, "\n  hilltop/bay07: "), strings.Count(out, "\n  hilltop/bay")
	if moved != 2 || listed > 4 || (listed > moved) != strings.Contains(out, "falsa alarma") || !strings.Contains(out, "hilltop/bay07: botellas llenas: la balanza supply-scale se ha movido +0.8") {
		t.Errorf("%d of %d drifts are of the scale that moved in\n%s", moved, listed, out)
	}
	bridgetest.Spanish(t, out)
	t.Run("page", func(t *testing.T) { readFleetPage(t, opened()) })
	page, err := os.ReadFile(filepath.Join(dir, "fleet.html"))
	if err != nil || strings.Count(string(page), "<svg") < fleetCarts {
		t.Errorf("%v, %d pictures", err, strings.Count(string(page), "<svg"))
	}
	config := filepath.Join(dir, configName)
	status, out, errors = program(t.Context(), "audit", "fleet", "--config", config)
	if status != 0 || !strings.Contains(out, "hilltop/bay07: full bottles: scale supply-scale has moved by +0.8") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	if status, out, errors := program(t.Context(), "stock", "--config", config); status != 0 || !strings.Contains(out, "1600") {
		t.Errorf("stock: status %d: %s%s", status, out, errors)
	}
	if status, _, errors := program(t.Context(), "audit", "fleet", "--config", config, "--csv", filepath.Join(dir, "jobs.csv")); status != exitNotAudited || !strings.Contains(errors, "--csv:") {
		t.Errorf("a table of journals: status %d: %s", status, errors)
	}
}
