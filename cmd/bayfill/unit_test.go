package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The example unit is one that systemd takes, and stays as closed as it is.
func TestUnit(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("systemd-analyze is not installed")
		}
		t.Skip("systemd-analyze is not installed")
	}
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "systemd", "bayfill.service"))
	if err != nil {
		t.Fatal(err)
	}
	// It wants the program to be where the unit says.
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	unit := filepath.Join(t.TempDir(), "bayfill.service")
	if err := os.WriteFile(unit, []byte(strings.Replace(string(text), "/usr/local/bin/bayfill", self, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"verify", "--man=no", unit},
		{"security", "--offline=true", "--no-pager", "--threshold=19", unit}, // exposure 1.9 of 10
	} {
		if out, err := exec.Command(analyze, args...).CombinedOutput(); err != nil || args[0] == "verify" && len(out) > 0 {
			t.Errorf("systemd-analyze %s: %v\n%s", args[0], err, out)
		}
	}
}
