package main

import (
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/words"
)

// The help of every command fits on a terminal in every language, has an example, and has
// no key in the place of a sentence.
func TestHelp(t *testing.T) {
	key := regexp.MustCompile(`\b(?:help|flag|explain)\.[a-z]`)
	for _, l := range words.Languages {
		root := rootCommand()
		speak(root, words.Reader{Language: l.Language})
		var look func(c *cobra.Command)
		look = func(c *cobra.Command) {
			text := c.Long + "\n" + c.UsageString()
			for line := range strings.Lines(text) {
				if n := len([]rune(strings.TrimRight(line, "\n"))); n > helpWidth && !strings.Contains(line, "bayfill ") && !strings.HasPrefix(c.CommandPath(), "bayfill job ") {
					t.Errorf("%s, %s: %d columns: %s", l.Language, c.CommandPath(), n, line)
				}
			}
			if key.MatchString(text) {
				t.Errorf("%s, %s has a key: %s", l.Language, c.CommandPath(), key.FindString(text))
			}
			if c.Runnable() && c.Example == "" && c.Name() != "help" {
				t.Errorf("%s has no example", c.CommandPath())
			}
			c.Flags().VisitAll(func(f *pflag.Flag) {
				if f.Usage == "" {
					t.Errorf("%s --%s is not explained", c.CommandPath(), f.Name)
				}
			})
			for _, sub := range c.Commands() {
				look(sub)
			}
		}
		look(root)
	}
}

// The help of every command holds no English in Spanish, but for what is typed.
func TestSpanishHelp(t *testing.T) {
	root := rootCommand()
	speak(root, words.Reader{Language: words.Spanish})
	var look func(c *cobra.Command)
	look = func(c *cobra.Command) {
		text := c.Long + "\n" + strings.Replace(c.UsageString(), c.Example, "", 1)
		for _, english := range []string{"[flags]", "[command]", "(default", "string", "duration", " int "} {
			if strings.Contains(text, english) {
				t.Errorf("%s: %s", c.CommandPath(), english)
			}
		}
		bridgetest.Spanish(t, text, "WHAT", "(at)", "audit jobs", "jobs Listar", "--by", "--for ", "--record-for", "--to-bucket", "--change-at", "--not-after", "--at ", "--with ", "--jobs")
		for _, sub := range c.Commands() {
			look(sub)
		}
	}
	look(root)
}

// Alone, the program says in five lines what it is and what to do first.
func TestFirstWords(t *testing.T) {
	status, out, _ := program(t.Context())
	if lines := strings.Split(strings.TrimSpace(out), "\n"); status != 0 || len(lines) != 5 || !strings.Contains(lines[1], "bayfill demo") {
		t.Errorf("status %d: %s", status, out)
	}
	t.Setenv("BAYFILL_LANG", "es")
	if _, out, _ := program(t.Context(), "watch", "--help"); !strings.Contains(out, "Muestra un carro en vivo") || !strings.Contains(out, "Opciones:") {
		t.Error(out)
	}
	if _, out, _ := program(t.Context(), "help", "watch", "--lang", "en"); !strings.Contains(out, "Watch a cart live") {
		t.Error(out)
	}
}
