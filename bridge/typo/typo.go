package typo

import (
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// Nearest returns the candidate that the fewest edits of single characters lead to;
// empty when none is near enough.
func Nearest(word string, candidates []string) string {
	best, bestEdits := "", max(2, utf8.RuneCountInString(word)/2)+1
	for _, c := range candidates {
		if edits := levenshtein.ComputeDistance(word, c); edits < bestEdits {
			best, bestEdits = c, edits
		}
	}
	return best
}
