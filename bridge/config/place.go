package config

import (
	"fmt"
	"regexp"
	"strings"
)

// An error about the file shows its lines, and goes on into logs. A secret that
// somebody wrote into the file by mistake must not be among them, whatever else is
// wrong: so lines are looked at as text, and what may be part of one is hidden.

const hiddenText = "(hidden: say where it is kept, as in {file: …} or {env: …})"

const secretName = `(?:\w*(?:pas+w|pwd|secret|token|credential)\w*|\b\w*key)`

var (
	// secretKey is a key whose value is a secret, as people may write it.
	secretKey = regexp.MustCompile(`(?i)` + secretName + `["']?[ \t]*[:=]|^[ \t]*(?:-[ \t]+)*` + secretName + `(?:[ \t]+|$)`)
	// secretPlace is the right value of one: where it is kept.
	secretPlace = regexp.MustCompile(`^[ \t]*\{?[ \t]*["']?(?:file|env)["']?[ \t]*:`)
	// anyKey is a line that begins with a key.
	anyKey = regexp.MustCompile(`^[ \t]*(?:-[ \t]+)*["']?[\w.-]+["']?[ \t]*:(?:[ \t]|$)`)
	// Of an address, who comes and what is asked.
	addressUser  = regexp.MustCompile(`[^\s"'{,]*@`)
	addressQuery = regexp.MustCompile(`(://[^\s"'?]*)\?[^\s"']*`)
)

// shownLines are the lines of a file without the secrets in it.
func shownLines(text []byte) []string {
	lines := strings.Split(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n")
	const none, next, more, rest = 0, 1, 2, 3 // of the value: it is no secret; it comes; it may go on; it has no known end
	state, column := none, 0                  // of its key
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

// quoted is a word of a message that may be out of the file.
var quoted = regexp.MustCompile(`"[^"]*"`)

// shown is a message without words that the lines do not show.
func shown(message string, lines []string) string {
	all := strings.ReplaceAll(strings.Join(lines, "\n"), hiddenText, "")
	return quoted.ReplaceAllStringFunc(message, func(word string) string {
		if strings.Contains(all, strings.Trim(word, `"`)) {
			return word
		}
		return "what stands here"
	})
}

// drawn is a place in a file with the lines around it.
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
