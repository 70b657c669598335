package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"unicode"

	"golang.org/x/term"

	"bayfill/bridge/wrap"
)

// printWrapped prints a paragraph in at most width columns.
func printWrapped(out io.Writer, text string, width int) {
	for _, line := range wrap.Lines(text, width) {
		fmt.Fprintln(out, line)
	}
}

// terminalWidth is the number of columns of a terminal, and a default for other outputs.
func terminalWidth(out io.Writer) int {
	if f, ok := out.(*os.File); ok {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
			return w
		}
	}
	return 78
}

// invocation is how this program was started, for commands that are to be pasted.
func invocation() string {
	program := os.Args[0]
	switch path, err := os.Executable(); {
	case strings.HasSuffix(program, ".test"):
		return "bayfill"
	case err == nil && strings.Contains(path, "/go-build"): // go run, which deletes it
		return "go run ./cmd/bayfill"
	}
	return program
}

// figure formats a number; NaN, which is not known, as a dash.
func figure(format string, f float64) string {
	if math.IsNaN(f) {
		return "–"
	}
	return fmt.Sprintf(format, f)
}

// printable removes what could steer the terminal from text that others wrote.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			return ' '
		}
		return r
	}, text)
}
