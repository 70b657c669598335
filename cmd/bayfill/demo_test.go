package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/fillcalc"
)

// masked is what a demo in a folder printed, without when and where.
func masked(out, dir string) string {
	out = strings.ReplaceAll(out, dir, "DIR")
	for pattern, by := range map[string]string{`\d{8}-\d{6}`: "JOB", `\b\d\d:\d\d\b`: "HH:MM", `127\.0\.0\.1:\d+`: "ADDRESS", `20\d\d-\d\d-\d\d`: "DATE"} {
		out = regexp.MustCompile(pattern).ReplaceAllString(out, by)
	}
	return out
}

// golden compares text with a file of testdata.
func golden(t *testing.T, name, text string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		t.Errorf("%s differs; if it should, renew it with -update:\n%s", path, text)
	}
}

// The demo is the product in small: a whole job through ports, journal, fold and broker. It
// prints the same figures on every computer, and they are true.
func TestDemo(t *testing.T) {
	bridgetest.Slow(t)
	dir := filepath.Join(t.TempDir(), "demo")
	status, out, errors := program(t.Context(), "demo", "--dir", dir)
	if status != 0 {
		t.Fatalf("status %d: %s%s", status, out, errors)
	}
	golden(t, "demo.txt", masked(out, dir))
	for line := range strings.Lines(strings.ReplaceAll(out, dir, "DIR")) {
		if n := len([]rune(line)); n > 81 && !strings.HasPrefix(line, "  bayfill ") {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	// The commands that it prints work.
	tried := 0
	t.Setenv("BAYFILL_CONFIG", regexp.MustCompile(`(?m)^  export BAYFILL_CONFIG=(.*)$`).FindStringSubmatch(out)[1])
	for _, m := range regexp.MustCompile(`(?m)^  bayfill (.*)$`).FindAllStringSubmatch(out, -1) {
		args := shellWords(strings.Replace(m[1], "--output ticket.html", "--output "+filepath.Join(dir, "again.html"), 1))
		if status, out, errors := program(t.Context(), args...); status != 0 || strings.Contains(out, "No job") {
			t.Errorf("bayfill %s: status %d: %s%s", m[1], status, out, errors)
		}
		tried++
	}
	if tried != 3 {
		t.Errorf("%d commands in\n%s", tried, out)
	}
	// A second demo does not mix its job with the first.
	if status, _, errors := program(t.Context(), "demo", "--dir", dir); status != exitConfig || !strings.Contains(errors, "choose an empty folder") {
		t.Errorf("status %d: %s", status, errors)
	}
	auditDemo(t, dir, regexp.MustCompile(`\d{8}-\d{6}`).FindString(out))
}

// What the demo measures is true, and it shows what "not verified" means.
func TestDemoMeetsTheTruth(t *testing.T) {
	bridgetest.Slow(t)
	dir := t.TempDir()
	status, out, errors := program(t.Context(), "demo", "--json", "--seed", "2", "--with", "overdue", "--dir", dir)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	var a account
	if err := json.Unmarshal([]byte(out), &a); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	// Twice the expanded uncertainty: nearly every run, and far below any mistake.
	if d := a.DrainedL - a.TrueDrainedL; !(max(d, -d) <= 2*a.DrainedUL) || a.DrainedUL > 0.05 {
		t.Errorf("drained %.4f ± %.4f L, truly %.4f", a.DrainedL, a.DrainedUL, a.TrueDrainedL)
	}
	if d := a.AddedL - a.TrueAddedL; !(max(d, -d) <= 2*a.AddedUL) || a.AddedUL > 0.05 {
		t.Errorf("added %.4f ± %.4f L, truly %.4f", a.AddedL, a.AddedUL, a.TrueAddedL)
	}
	if max(a.BalanceL, -a.BalanceL) > 0.05 || !a.SameAndComplete || a.Verdict != fillcalc.NotVerified {
		t.Errorf("%+v", a)
	}
	// Common practice, no source: a dropped pan gives about 4 US quarts, with what
	// is tipped out of it a little more.
	if quarts := a.TrueDrainedL / fillcalc.LitresPerUSQuart; quarts < 3.5 || quarts > 5 {
		t.Errorf("the invented job drains %.1f US quarts", quarts)
	}
}

// A chapter alone, in other units and another language.
func TestDemoChapter(t *testing.T) {
	bridgetest.Slow(t)
	dir := filepath.Join(t.TempDir(), "demo")
	status, out, errors := program(t.Context(), "demo", "--chapter", "fill", "--units", "us", "--lang", "es", "--dir", dir)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	golden(t, "demo-fill-us-es.txt", masked(out, dir))
}

// The last chapter in another language has no English in it.
func TestDemoInSpanish(t *testing.T) {
	bridgetest.Slow(t)
	dir := filepath.Join(t.TempDir(), "demo")
	status, out, errors := program(t.Context(), "demo", "--chapter", "audit", "--lang", "es", "--dir", dir)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	golden(t, "demo-audit-es.txt", masked(out, dir))
	bridgetest.Spanish(t, masked(out, dir), "technician", "export", "config", "audit", "job", "ticket", "stock", "output", "html", "demo", "password")
}

// With --real-time the demo follows the wall clock; shown on no screen, it does not wait.
func TestDemoPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		for _, c := range []struct {
			o    demoOptions
			live bool
			want time.Duration // for a minute of the demo's clock
		}{
			{demoOptions{realTime: true}, false, time.Minute},
			{demoOptions{realTime: true}, true, time.Minute},
			{demoOptions{}, true, time.Minute / demoSpeed},
			{demoOptions{}, false, 0},
		} {
			var p pace
			p.set(c.o.speed(&view{live: c.live}), 0)
			if err := p.wait(t.Context(), time.Minute); err != nil || time.Since(began) != c.want {
				t.Errorf("%+v: %v, %v", c.o, time.Since(began), err)
			}
			began = time.Now()
		}
	})
}

// A word that a flag does not know is refused before anything is made.
func TestDemoFlags(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	for _, c := range []struct{ flag, value, says string }{
		{"--chapter", "drian", `--chapter: "drian" is not one of drain, fill, check, audit`},
		{"--with", "overdu", `--with: "overdu" is not one of overdue, uncalibrated`},
	} {
		if status, _, errors := program(t.Context(), "demo", c.flag, c.value, "--dir", dir); status != exitConfig || !strings.Contains(errors, c.says) {
			t.Errorf("status %d: %s", status, errors)
		}
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("a refused demo leaves a folder")
	}
}
