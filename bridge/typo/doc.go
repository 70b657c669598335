// Package typo finds what somebody probably meant to write, for messages such as "did
// you mean".
//
// [Nearest] goes by the edit distance (Levenshtein) in Unicode characters: the nearest
// candidate, the first of several, unless more than two characters and more than half of the
// word would have to change. Then it is the first candidate that begins with the word, of at
// least three characters, or none. The limits are in typo.go; a case that should or should not match is a row of TestNearest.
//
// It starts no goroutine.
package typo
