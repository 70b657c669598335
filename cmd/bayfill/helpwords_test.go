package main

import (
	"strings"
	"testing"
)

// The glossary in both languages, and one word of it.
func TestHelpWords(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"", "THE CART AND WHAT BELONGS TO IT\n\ncart\n  A drain cart"},
		{"", "Gone again (gone)\n  A thing that came"},
		{"--lang es", "Ya se fue (gone)\n  Algo que llegó"},
		{"clear weighing", "WEIGHING\n\nclear weighing (clear)\n  A settled weighing"},
		{"reference --units us", "68 °F"},
		{"--lang fr", `--lang: "fr" is not one of en, es`},
		{"flywheel", "The glossary has no such word"},
	} {
		status, out, errors := program(t.Context(), append([]string{"help", "words"}, strings.Fields(c.args)...)...)
		if !strings.Contains(out+errors, c.want) || (status == 0) != (errors == "") {
			t.Errorf("help words %s: status %d: %.300s%s, want %q", c.args, status, out, errors, c.want)
		}
		for line := range strings.Lines(out) {
			if len([]rune(line)) > 80 {
				t.Errorf("help words %s: a line of %d characters: %s", c.args, len([]rune(line)), line)
			}
		}
	}
	// Help for commands is as before.
	if status, out, _ := program(t.Context(), "help", "stock"); status != 0 || !strings.Contains(out, "bayfill stock [flags]") {
		t.Errorf("status %d: %s", status, out)
	}
}
