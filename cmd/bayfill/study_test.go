package main

import (
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"bayfill/sim/study"
)

func TestStudy(t *testing.T) {
	status, out, errors := program(t.Context(), "study", "--jobs", "3", "--seed", "2", "--json")
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	var f study.Figures
	decoder := json.NewDecoder(strings.NewReader(out))
	if err := decoder.Decode(&f); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	if _, err := decoder.Token(); err != io.EOF || f.Jobs != 3 || f.Seed != 2 || f.Drained.SdML == 0 {
		t.Errorf("not one object of three jobs: %s", out)
	}

	status, out, errors = program(t.Context(), "study", "--jobs", "3", "--worst", "2")
	if status != 0 || strings.Count(out, "--seed 1 --job ") != 2 {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	table, _, _ := strings.Cut(out, "--seed")
	for line := range strings.Lines(table) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 60 {
			t.Errorf("%d columns: %s", n, line)
		}
	}

	if status, out, errors = program(t.Context(), "study", "--job", "2"); status != 0 || !strings.Contains(out, "phase draining") || !strings.Contains(out, "truly") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
}

func TestStudyOfWorlds(t *testing.T) {
	status, out, errors := program(t.Context(), "study", "--world", "all", "--jobs", "1")
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	for line := range strings.Lines(out) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 79 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if lines := strings.Count(out, "\n"); lines != 3+len(study.Worlds()) {
		t.Errorf("%d lines:\n%s", lines, out)
	}

	status, out, errors = program(t.Context(), "study", "--world", "wind_25", "--jobs", "2", "--seed", "4", "--json")
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	var got struct {
		Seed   int
		Worlds []map[string]any
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || got.Seed != 4 || len(got.Worlds) != 1 {
		t.Fatalf("%v in %s", err, out)
	}
	for _, key := range []string{"world", "jobs", "drained", "added", "balance", "asked_per_job", "gross", "live_p50_ml", "live_p95_ml"} {
		if _, ok := got.Worlds[0][key]; !ok {
			t.Errorf("no %s in %s", key, out)
		}
	}
	for _, key := range []string{"bias_pct", "p95_abs_4l_ml", "coverage_pct", "worst_ml", "median_u_ml"} {
		if _, ok := got.Worlds[0]["drained"].(map[string]any)[key].(float64); !ok {
			t.Errorf("no drained.%s in %s", key, out)
		}
	}
	if status, out, errors = program(t.Context(), "study", "--world", "wind_25", "--job", "1"); status != 0 || !strings.Contains(out, "truly") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
}

func TestStudyRefuses(t *testing.T) {
	file := filepath.Join(t.TempDir(), "d.yaml")
	if err := os.WriteFile(file, []byte("scale:\n  noize_d: [0, 1]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"--distribution", file}, exitConfig, "d.yaml: line 2: "},
		{[]string{"--distribution", file + "x"}, 1, "d.yamlx"},
		{[]string{"--jobs", "0"}, 1, "--jobs 0"},
		{[]string{"--world", "calm"}, 1, "wind_25"},
		{[]string{"--world", "all", "--job", "3"}, 1, "--job"},
		{[]string{"--world", "base", "--distribution", file}, 1, "distribution"},
		{[]string{"--json", "--worst", "3"}, 1, "json"},
	} {
		if status, _, errors := program(t.Context(), append([]string{"study"}, c.args...)...); status != c.status || !strings.Contains(errors, c.want) {
			t.Errorf("%v: status %d: %s", c.args, status, errors)
		}
	}
}
