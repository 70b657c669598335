package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The units are ones that systemd takes, and stay as closed as they are.
func TestUnits(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("systemd-analyze is not installed")
		}
		t.Skip("systemd-analyze is not installed")
	}
	// They want the program to be where they say, and one names the other.
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	var units []string
	for _, name := range []string{"bayfill.service", "bayfill-board.service"} {
		text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "systemd", name))
		if err != nil {
			t.Fatal(err)
		}
		unit := filepath.Join(folder, name)
		if err := os.WriteFile(unit, []byte(strings.Replace(string(text), "/usr/bin/bayfill", self, 1)), 0o600); err != nil {
			t.Fatal(err)
		}
		units = append(units, unit)
	}
	for _, args := range [][]string{
		{"verify", "--man=no"},
		{"security", "--offline=true", "--no-pager", "--threshold=19"}, // exposure 1.9 of 10
	} {
		if out, err := exec.Command(analyze, append(args, units...)...).CombinedOutput(); err != nil || args[0] == "verify" && len(out) > 0 {
			t.Errorf("systemd-analyze %s: %v\n%s", args[0], err, out)
		}
	}
}
