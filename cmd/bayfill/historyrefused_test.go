package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/journal"
)

// The refused lines of all carts or of one are listed, and none can steer the terminal.
func TestHistoryRefused(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "bayfill.yaml")
	text := strings.Replace(bridgetest.SmallConfig, "/tmp/x", dir, 1)
	_, cart, _ := strings.Cut(text, "carts:\n")
	text += strings.NewReplacer("bay2", "bay3", "ttyX", "ttyY").Replace(cart)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	command := func(args ...string) (status int, out, errors string) {
		return program(t.Context(), append([]string{"history", "refused", "--config", path}, args...)...)
	}
	if status, out, errors := command(); status != 1 || !strings.Contains(errors, "has the program run with this data folder?") {
		t.Errorf("without a journal: status %d: %s%s", status, out, errors)
	}
	for cart, refused := range map[string][]journal.Refused{
		"bay2": {{Line: "bayfill_reading,shop=a kg=1i 1750000000000000007", Reason: "type conflict"}, {Line: "garbage\x1b[2J", Reason: "no \x1b line"}},
		"bay3": nil,
	} {
		j, err := journal.Open(filepath.Join(dir, cart+".journal"))
		if err != nil {
			t.Fatal(err)
		}
		if err := j.SetSent(t.Context(), 1, false, refused); err != nil {
			t.Fatal(err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	const both = "bay2  2025-06-15T15:06:40.000000007Z  type conflict\n  bayfill_reading,shop=a kg=1i 1750000000000000007\n" +
		"bay2  no time  no   line\n  garbage [2J\n"
	for _, c := range []struct {
		args         []string
		status       int
		out, problem string
	}{
		{nil, 0, both, ""},
		{[]string{"--cart", "bay2"}, 0, both, ""},
		{[]string{"--cart", "bay3"}, 0, "No line was refused.\n", ""},
		{[]string{"--cart", "bay3", "--json"}, 0, "{\"refused\":[]}\n", ""},
		{[]string{"--cart", "bay9"}, 1, "", `--cart: there is no "bay9", the carts are bay2, bay3`},
	} {
		if status, out, errors := command(c.args...); status != c.status || out != c.out || !strings.Contains(errors, c.problem) {
			t.Errorf("%v: status %d: %s%s", c.args, status, out, errors)
		}
	}
	_, out, _ := command("--json")
	var list struct{ Refused []refusedLine }
	if err := json.Unmarshal([]byte(out), &list); err != nil || len(list.Refused) != 2 {
		t.Fatalf("%v in %s", err, out)
	}
	if first, second := list.Refused[0], list.Refused[1]; first.Cart != "bay2" || *first.Time != "2025-06-15T15:06:40.000000007Z" || first.Reason != "type conflict" ||
		second.Time != nil || second.Line != "garbage\x1b[2J" {
		t.Errorf("%+v, %+v", first, second)
	}
}
