package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// The list says of each file whether it is good, the status whether all are, and
// a name shows one in full.
func TestServiceData(t *testing.T) {
	examples := filepath.Join("..", "..", "testdata", "service-data")
	config := filepath.Join("..", "..", "testdata", "config", "bayfill.yaml")
	fits := func(out string) {
		t.Helper()
		for line := range strings.Lines(out) {
			if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > serviceWidth {
				t.Errorf("%d columns: %s", n, line)
			}
		}
	}

	status, out, errors := program(t.Context(), "service-data", "--dir", examples, "--config", config, "--units", "us")
	want := `good  estate5-dipstick
      ruby old, refill 4.20 qt, dipstick at 167 to 185 °F, bolts 165 in-lb
good  saloon4-dipstick
      ruby old, refill 4.20 qt, dipstick at 150 to 170 °F, bolts 132 in-lb
good  van6-overflow
      amber 6, refill 4.20 qt, overflow at 95 to 113 °F, bolts 97 in-lb
`
	if status != 0 || out != want || errors != "" {
		t.Errorf("status %d: %s%s, want %s", status, out, errors, want)
	}
	fits(out)

	// The configuration names folder and units.
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	whole := filepath.Join(dir, "bayfill.yaml")
	text = []byte(strings.NewReplacer("/etc/bayfill/service-data", examples, "units: metric", "units: us").Replace(string(text)))
	if err := os.WriteFile(whole, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if status, out, errors = program(t.Context(), "service-data", "--config", whole); status != 0 || out != want {
		t.Errorf("status %d: %s%s", status, out, errors)
	}

	status, out, errors = program(t.Context(), "service-data", "--dir", examples, "van6-overflow")
	if status != 0 || !strings.Contains(out, "typical refill       3.97 L         4.2 qt         3.975 L\n") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	fits(out)
	_, out, _ = program(t.Context(), "service-data", "--dir", examples, "van6-overflow", "--lang", "es")
	if !strings.Contains(out, "carga habitual       3.97 L         4.2 qt         3.975 L\n") || !strings.Contains(out, "tapón de nivel\n") {
		t.Errorf("in Spanish: %s", out)
	}
	fits(out)

	text, err = os.ReadFile(filepath.Join(examples, "van6-overflow.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	dir = filepath.Join(dir, "data")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	for file, text := range map[string]string{
		"van6.yaml": string(text), "mauve.yaml": strings.NewReplacer("amber 6", "mauve", "name: van6-overflow", "name: mauve").Replace(string(text)),
		"van7.yaml": strings.Replace(string(text), "typical", "typcal", 1),
	} {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	status, out, errors = program(t.Context(), "service-data", "--dir", dir, "--config", config)
	if status != 1 || !strings.Contains(out, "good  van6-overflow\n") || strings.Contains(out, "good  mauve") ||
		strings.Count(out, "BAD   "+dir) != 2 || !strings.Contains(errors, "of 3 files in "+dir+" 2 are bad") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	for _, want := range []string{`van7.yaml: line 12: unknown key "typcal", did you mean "typical"?`, `mauve.yaml: line 8: fluid: "mauve" is not one of the configured fluids`} {
		if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
			t.Errorf("want %q in %s", want, out)
		}
	}
	fits(out)

	// Without a configuration any fluid is one.
	if status, out, _ := program(t.Context(), "service-data", "--dir", dir); status != 1 || !strings.Contains(out, "good  mauve") || strings.Count(out, "BAD") != 1 {
		t.Errorf("status %d: %s", status, out)
	}
	if status, out, _ := program(t.Context(), "service-data", "--dir", t.TempDir()); status != 0 || !strings.Contains(out, "There is no .yaml file") {
		t.Errorf("an empty folder: status %d: %s", status, out)
	}
	for _, c := range []struct {
		status int
		want   string
		args   []string
	}{
		{1, `"van9" is not in ` + examples + ", which has estate5-dipstick, saloon4-dipstick, van6-overflow\n", []string{"van9", "--dir", examples}},
		{1, "which has van6-overflow; some files have errors", []string{"mauve", "--dir", dir, "--config", config}},
		{1, "no such file", []string{"van9", "--dir", dir + "x"}},
		{exitConfig, "bayfill.yaml: no such file", nil},
		{1, "no such file", []string{"--dir", dir + "x"}},
		{exitConfig, `--units: "UK" is not one of metric, us, imperial`, []string{"--dir", examples, "--units", "UK"}},
		{exitConfig, "no such file", []string{"--dir", examples, "--config", dir + "x"}},
	} {
		if status, _, errors := program(t.Context(), append([]string{"service-data"}, c.args...)...); status != c.status || !strings.Contains(errors, c.want) {
			t.Errorf("%v: status %d: %s", c.args, status, errors)
		}
	}
}
