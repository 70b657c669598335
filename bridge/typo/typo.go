package typo

import (
	"strings"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// Nearest returns the candidate that the fewest edits of single characters lead to, or else
// the first one that begins with the word; empty when none is near enough.
func Nearest(word string, candidates []string) string {
	best, bestEdits := "", max(2, utf8.RuneCountInString(word)/2)+1
	for _, c := range candidates {
		if edits := levenshtein.ComputeDistance(word, c); edits < bestEdits {
			best, bestEdits = c, edits
		}
	}
	for _, c := range candidates {
		if best == "" && utf8.RuneCountInString(word) > 2 && strings.HasPrefix(c, word) {
			best = c
		}
	}
	return best
}
