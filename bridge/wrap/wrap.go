// Package wrap breaks text into the lines of a terminal, for the commands and for the
// dialogue of a calibration. It is a pure function and starts no goroutine.
package wrap

import "strings"

// Lines breaks text at blanks into lines of fewer than width characters; only a
// word that is longer stands alone in a longer line. Lines after the first are
// indented by two blanks.
func Lines(text string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.SplitAfter(text, " ") {
		if line != "" && len([]rune(line))+len([]rune(strings.TrimRight(word, " "))) > width-1 {
			lines = append(lines, strings.TrimRight(line, " "))
			line = "  "
		}
		line += word
	}
	return append(lines, strings.TrimRight(line, " "))
}
