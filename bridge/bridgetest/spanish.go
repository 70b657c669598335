package bridgetest

import (
	"regexp"
	"strings"
	"testing"
)

// english are words of which an English sentence has at least one, and which mean nothing in
// Spanish.
var english = regexp.MustCompile(`(?i)\b(?:the|of|and|is|are|was|were|be|been|with|without|which|that|this|it|its|to|from|by|at|for|not|nothing|never|or|if|than|what|when|each|jobs|weight|known|shown)\b`)

// Spanish fails when a text that a terminal shows to a Spanish reader holds English. names are
// what people and files are called; they are in no language.
func Spanish(t *testing.T, text string, names ...string) {
	t.Helper()
	text = strings.Join(strings.Fields(text), " ")
	for _, name := range names {
		text = strings.ReplaceAll(text, name, "…")
	}
	for _, found := range english.FindAllStringIndex(text, -1) {
		t.Errorf("English: %q", strings.ToValidUTF8(text[max(0, found[0]-30):min(len(text), found[1]+30)], ""))
	}
}
