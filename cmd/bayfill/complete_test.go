package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A shell completes what a person would otherwise have to look up.
func TestCompletion(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, configName)
	if err := os.WriteFile(file, []byte(workshopConfig(dir, "", "", 2)), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("BAYFILL_CONFIG", file)
	for line, want := range map[string]string{
		"watch --cart ": "bay2\nbay3\n", "calibrate --cart bay3 --sensor ca": "caddy-scale\n", "job open --fluid ": "amber 6\n", "job phase f": "filling\n",
		"job answer 1 ": "fluid\ngone\nthing\n", "job record --cart ": "bay2\n", "job record filter not": "not_done\nnot_needed\n", "job open --check ": "dipstick\noverflow\n", "audit job ": ":4",
		"job record ": "filter\nseal\n", "watch --units ": "metric\nus\n", "job show --lang ": "en\nes\n", "demo --chapter ": "drain\nfill\n", "demo --with ": "overdue\n",
	} {
		args := append([]string{"__complete"}, strings.Split(line, " ")...)
		if status, out, errors := program(t.Context(), args...); status != 0 || !strings.Contains(out, want) {
			t.Errorf("%s: status %d: %s%s", line, status, out, errors)
		}
	}
}
