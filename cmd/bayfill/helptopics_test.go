package main

import (
	"maps"
	"os"
	"regexp"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/words"
)

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
}

// help TOPIC fits a terminal in every language, but for code, which is pasted, and says all words
// of the topic.
func TestTopicsOnATerminal(t *testing.T) {
	for _, l := range words.Languages {
		for _, topic := range topics {
			status, out, errors := program(t.Context(), "help", topic.name, "--lang", string(l.Language))
			if status != 0 || strings.Contains(out, "{{") {
				t.Errorf("%s: help %s: status %d: %s", l.Language, topic.name, status, errors)
			}
			code := false
			for line := range strings.Lines(out) {
				if strings.HasPrefix(line, "```") {
					code = !code
				}
				if line = strings.TrimSuffix(line, "\n"); !code && !isCode(line) && len([]rune(line)) > 80 && strings.Contains(strings.TrimSpace(line), " ") {
					t.Errorf("%s: help %s: %d columns: %s", l.Language, topic.name, len([]rune(line)), line)
				}
			}
			for _, word := range strings.Fields(topicText(words.Reader{Language: l.Language}, topic.name)) {
				if word = strings.Trim(word, "|:;.,-\\"); !strings.Contains(out, word) && word != "`protocol`" && word != "`enter`" { // heads of first columns
					t.Errorf("%s: help %s: %q is lost", l.Language, topic.name, word)
				}
			}
		}
	}
}

// A topic is the same in every language but for its prose: headings, rows of tables, items, code
// without its comments, and everything that is typed.
func TestTopicsAreTranslated(t *testing.T) {
	for _, l := range words.Languages {
		reader := words.Reader{Language: l.Language}
		if l.Language == words.English {
			continue
		}
		for _, topic := range topics {
			english, other := topicText(words.Plain, topic.name), topicText(reader, topic.name)
			want, got := outline(english), outline(other)
			for i := range max(len(want), len(got)) {
				if i >= len(want) || i >= len(got) || want[i] != got[i] {
					t.Errorf("%s: %s: its parts differ: %q, in English %q", l.Language, topic.name, got[min(i, len(got)):min(i+2, len(got))], want[min(i, len(want)):min(i+2, len(want))])
					break
				}
			}
			for typed := range difference(typedIn(english), typedIn(other)) {
				t.Errorf("%s: %s: %q is not in both languages", l.Language, topic.name, typed)
			}
		}
		for leaf := range difference(leafWords(words.Plain), leafWords(reader)) {
			t.Errorf("%s: leaves.yaml: %s is not in both languages", l.Language, leaf)
		}
	}
	for _, topic := range topics {
		prose := prose(topicText(words.Reader{Language: words.Spanish}, topic.name))
		bridgetest.Spanish(t, prose, "Scale Manufacturers Association", "API", "(at)", "tls://broker.example:8883")
	}
}

// prose is a topic with its code left out, but for the comments in it.
func prose(text string) string {
	var lines []string
	fenced := false
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "```") {
			fenced = !fenced
		} else if fenced || isCode(line) {
			lines = append(lines, comment.FindString(line))
		} else {
			lines = append(lines, line)
		}
	}
	return typed.ReplaceAllString(strings.Join(lines, "\n"), "…")
}

// outline is what of a topic is not prose, a part a text: the level of a heading, the cells of a
// row, an item's code, a line of code.
func outline(text string) (parts []string) {
	fenced := false
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		switch {
		case strings.HasPrefix(line, "```"):
			fenced = !fenced
			parts = append(parts, line)
		case fenced || isCode(line):
			if line = strings.TrimRight(comment.ReplaceAllString(line, ""), " "); line != "" {
				parts = append(parts, line)
			}
		case strings.HasPrefix(line, "#"):
			level, _, _ := strings.Cut(line, " ")
			parts = append(parts, level)
		case strings.HasPrefix(line, "|"):
			parts = append(parts, strings.Repeat("|", len(cells(line)))+code.FindString(line))
		case strings.HasPrefix(line, "- "):
			parts = append(parts, "-"+code.FindString(line))
		}
	}
	return parts
}

var (
	code    = regexp.MustCompile("^[| -]*`[^`]+`")
	comment = regexp.MustCompile(`(?:^|\s)#\s.*$`)
	// typed is what nobody translates: code, flags, keys, paths and addresses.
	typed = regexp.MustCompile("`[^`]+`|--[a-z]+(?:-[a-z]+)*|[A-Za-z0-9]+(?:_[A-Za-z0-9]+)+|(?:[a-z]+:/)?/[a-z0-9][a-z0-9/._-]+[a-z]")
)

func typedIn(text string) map[string]string {
	all := map[string]string{}
	for _, found := range typed.FindAllString(strings.ReplaceAll(text, "```", ""), -1) {
		all[strings.Join(strings.Fields(found), " ")] = found
	}
	return all
}

// difference are the keys that only one of two maps has.
func difference(a, b map[string]string) map[string]string {
	only := maps.Clone(a)
	maps.Copy(only, b)
	maps.DeleteFunc(only, func(key, _ string) bool { return a[key] != "" && b[key] != "" })
	return only
}
