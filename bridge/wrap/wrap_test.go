package wrap

import (
	"slices"
	"testing"
)

// Lines fit a narrow terminal, and words are not cut.
func TestLines(t *testing.T) {
	for _, width := range []int{20, 46, 80} {
		for _, line := range Lines("» The bridge asks: what were the +0.397 kg on caddy-scale? Fluid.", width) {
			if n := len([]rune(line)); n >= width {
				t.Errorf("%d characters in a terminal of %d: %q", n, width, line)
			}
		}
	}
	for _, c := range []struct {
		text  string
		width int
		want  []string
	}{
		{"", 9, []string{""}},
		{"one two three", 9, []string{"one two", "  three"}},
		{"one ± 23", 9, []string{"one ± 23"}},
		{"a-very-long-path one", 9, []string{"a-very-long-path", "  one"}},
	} {
		if got := Lines(c.text, c.width); !slices.Equal(got, c.want) {
			t.Errorf("%q in %d: %q, want %q", c.text, c.width, got, c.want)
		}
	}
}
