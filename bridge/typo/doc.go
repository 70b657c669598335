// Package typo finds what somebody probably meant to write, for messages such as "did
// you mean".
//
// [Nearest] goes by the edit distance (Levenshtein) alone, in Unicode characters. It
// promises the nearest candidate, the first of several, and none when more than two
// characters and more than half of the word would have to change. The limit is in
// typo.go; a case that should or should not match is a row of TestNearest.
//
// It starts no goroutine.
package typo
