package config

import (
	"fmt"
	"regexp"
	"strings"
)

// An error about the file shows lines of the file and is logged. A secret that somebody
// has written into the file by mistake must not be shown, whatever else is wrong with the
// file. So the lines are searched as text, and everything that may be part of a secret is
// hidden.

const hiddenText = "(hidden: say where it is kept, as in {file: …} or {env: …})"

const secretName = `(?:\w*(?:pas+w|pwd|secret|token|credential)\w*|\b\w*key)`

var (
	// secretKey matches a key whose value is a secret, in any form that people may write.
	secretKey = regexp.MustCompile(`(?i)` + secretName + `["']?[ \t]*[:=]|^[ \t]*(?:-[ \t]+)*` + secretName + `(?:[ \t]+|$)`)
	// secretPlace matches the right value of such a key: where the secret is kept.
	secretPlace = regexp.MustCompile(`^[ \t]*\{?[ \t]*["']?(?:file|env)["']?[ \t]*:`)
	// anyKey matches a line that begins with a key.
	anyKey = regexp.MustCompile(`^[ \t]*(?:-[ \t]+)*["']?[\w.-]+["']?[ \t]*:(?:[ \t]|$)`)
	// The user and the query in an address.
	addressUser  = regexp.MustCompile(`[^\s"'{,]*@`)
	addressQuery = regexp.MustCompile(`(://[^\s"'?]*)\?[^\s"']*`)
)

// shownLines returns the lines of a file with its secrets hidden.
func shownLines(text []byte) []string {
	lines := strings.Split(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n")
	// The state of the value: not a secret; begins on the next line; may continue; its end
	// is unknown, so the rest of the file is hidden.
	const none, next, more, rest = 0, 1, 2, 3
	state, column := none, 0 // column is that of the value's key
	for i, line := range lines {
		indent := len(line) - len(strings.TrimLeft(line, " \t"))
		begins := anyKey.MatchString(line) && indent <= column
		switch {
		case state == none, state == more && begins, state == next && begins:
		case strings.TrimSpace(line) == "":
			continue
		case state == next && secretPlace.MatchString(line):
		default:
			lines[i] = line[:indent] + hiddenText
			state = max(state, more)
			continue
		}
		state = none
		for from := 0; ; {
			at := secretKey.FindStringIndex(line[from:])
			if at == nil {
				break
			}
			column = from + at[0]
			from += at[1]
			value := strings.TrimSpace(line[from:])
			if secretPlace.MatchString(value) {
				continue
			}
			state = more
			if value == "" {
				state = next
				break
			}
			line = line[:from] + " " + hiddenText
			if opens := value[0]; strings.IndexByte("|>", opens) >= 0 ||
				strings.IndexByte(`"'`, opens) >= 0 && strings.IndexByte(value[1:], opens) < 0 ||
				strings.IndexByte("[{", opens) >= 0 && !strings.ContainsAny(value, "]}") {
				state = rest
			}
			break
		}
		line = addressUser.ReplaceAllString(line, "(hidden)@")
		lines[i] = addressQuery.ReplaceAllString(line, "$1?(hidden)")
	}
	return lines
}

// quoted matches a word of a message that may come from the file.
var quoted = regexp.MustCompile(`"[^"]*"`)

// shown hides the quoted words of a message that the shown lines do not contain.
func shown(message string, lines []string) string {
	return quoted.ReplaceAllStringFunc(message, func(word string) string {
		return `"` + visible(strings.Trim(word, `"`), lines) + `"`
	})
}

// visible is a text of the file; three dots if the shown lines do not contain it.
func visible(text string, lines []string) string {
	if strings.Contains(strings.ReplaceAll(strings.Join(lines, "\n"), hiddenText, ""), text) {
		return text
	}
	return "…"
}

// drawn returns a place in a file with the lines around it.
func drawn(lines []string, number, column int) string {
	var b strings.Builder
	for n := max(1, number-2); n <= min(len(lines), number+2); n++ {
		mark := "  "
		if n == number {
			mark = "> "
		}
		fmt.Fprintf(&b, "%s%4d | %s\n", mark, n, lines[n-1])
		if n == number {
			fmt.Fprintf(&b, "%*s\n", len("> 1234 | ")+column, "^")
		}
	}
	return strings.TrimRight(b.String(), "\n")
}
