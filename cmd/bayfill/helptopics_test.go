package main

import (
	"os"
	"strings"
	"testing"
)

// The reference is in English only, and says so to a reader of another language.
func TestTopicSaysItsLanguage(t *testing.T) {
	_, out, _ := program(t.Context(), "help", "leaves", "--lang", "es")
	if first, rest, _ := strings.Cut(out, "\n\n"); !strings.HasPrefix(first, "La referencia está solo en inglés") || rest != inColumns(topicText("leaves"), 78) {
		t.Errorf("%.300s", out)
	}
}

// REFERENCE.md is what the program says: every command, leaf and pattern is in it.
func TestReference(t *testing.T) {
	text := referenceText()
	if *update {
		if err := os.WriteFile("REFERENCE.md", []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if kept, err := os.ReadFile("REFERENCE.md"); err != nil || string(kept) != text {
		t.Errorf("REFERENCE.md differs from the program: renew it with -update: %v", err)
	}
	for _, want := range []string{"## volumes\n", "- `drained_l`", "## open\n", "- `fluid` (needed without service_data", "| `temperature` |", "capacity_kg: 30", "The amount is right."} {
		if !strings.Contains(text, want) {
			t.Errorf("the reference does not hold %q", want)
		}
	}
	for _, topic := range topics {
		status, out, errors := program(t.Context(), "help", topic.name)
		if status != 0 || strings.Contains(out, "{{") {
			t.Errorf("help %s: status %d: %s", topic.name, status, errors)
		}
		// It fits a terminal, but for code, which is pasted, and says all words of the reference.
		code := false
		for line := range strings.Lines(out) {
			if strings.HasPrefix(line, "```") {
				code = !code
			}
			if line = strings.TrimSuffix(line, "\n"); !code && !isCode(line) && len([]rune(line)) > 80 && strings.Contains(strings.TrimSpace(line), " ") {
				t.Errorf("help %s: %d columns: %s", topic.name, len([]rune(line)), line)
			}
		}
		for _, word := range strings.Fields(topicText(topic.name)) {
			if word = strings.Trim(word, "|:;.,-\\"); !strings.Contains(out, word) && word != "`protocol`" && word != "`enter`" { // heads of first columns
				t.Errorf("help %s: %q is lost", topic.name, word)
			}
		}
	}
}
