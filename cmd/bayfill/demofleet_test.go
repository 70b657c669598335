package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
)

// The demo of the head office finds the one scale that has moved, and no other.
func TestDemoFleet(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "fleet")
	t.Setenv("DISPLAY", "")
	t.Setenv("WAYLAND_DISPLAY", "")
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
