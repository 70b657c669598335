package main

import (
	"slices"
	"strings"

	"bayfill/bridge/wrap"
)

// inColumns breaks the text of a topic into lines of at most width columns. Code stays as it
// is; a table that is too wide becomes a list, an item a row.
func inColumns(text string, width int) string {
	var out []string
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	for i := 0; i < len(lines); {
		part := oneBlock(lines[i:])
		i += len(part)
		switch first := part[0]; {
		case first == "" && len(out) > 0 && out[len(out)-1] == "": // one is enough
		case first == "", isCode(first), strings.HasPrefix(first, "#"):
			out = append(out, part...)
		case !strings.HasPrefix(first, "|"):
			out = append(out, wrapPart(part, width)...)
		case slices.ContainsFunc(part, func(row string) bool { return len([]rune(row)) > width }):
			out = append(out, tableAsList(part, width)...)
		default:
			out = append(out, part...)
		}
	}
	return strings.Join(out, "\n") + "\n"
}

func isCode(line string) bool {
	return strings.HasPrefix(line, "```") || strings.HasPrefix(line, "    ")
}

// oneBlock returns the lines at the beginning that belong together: a block of code, a table, a
// paragraph, an item of a list.
func oneBlock(lines []string) []string {
	first := lines[0]
	belongs := func(line string) bool { // a paragraph or an item goes on
		return line != "" && !strings.HasPrefix(line, "- ") && !strings.HasPrefix(line, "#") && !strings.HasPrefix(line, "|") && !strings.HasPrefix(line, "```")
	}
	switch {
	case strings.HasPrefix(first, "```"):
		if end := slices.Index(lines[1:], "```"); end >= 0 {
			return lines[:end+2]
		}
		return lines
	case first == "", strings.HasPrefix(first, "#"), isCode(first):
		return lines[:1]
	case strings.HasPrefix(first, "|"):
		belongs = func(line string) bool { return strings.HasPrefix(line, "|") }
	}
	n := 1
	for n < len(lines) && belongs(lines[n]) {
		n++
	}
	return lines[:n]
}

// wrapPart breaks a paragraph, or an item whose further lines are indented.
func wrapPart(part []string, width int) []string {
	lines := wrap.Lines(strings.Join(strings.Fields(strings.Join(part, " ")), " "), width+1)
	if !strings.HasPrefix(part[0], "- ") {
		for i := range lines {
			lines[i] = strings.TrimSpace(lines[i])
		}
	}
	return lines
}

// tableAsList makes an item of each row: its first cell, and behind it the others, each with the
// head of its column where there are several. The head of the first column is left out.
func tableAsList(rows []string, width int) (list []string) {
	heads := cells(rows[0])
	for _, row := range rows[2:] { // behind the heads and the line below them
		var says []string
		row := cells(row)
		for i, cell := range row[1:] {
			switch {
			case cell == "":
			case len(row) == 2 || i+1 >= len(heads) || heads[i+1] == "":
				says = append(says, cell)
			default:
				says = append(says, heads[i+1]+": "+cell)
			}
		}
		list = append(list, wrapPart([]string{"- " + row[0] + ": " + strings.Join(says, "; ")}, width)...)
	}
	return list
}

// cells are those of a row of a table. A bar in code is written \|.
func cells(row string) []string {
	row = strings.ReplaceAll(strings.Trim(row, "| "), `\|`, "\x00")
	list := strings.Split(row, "|")
	for i := range list {
		list[i] = strings.ReplaceAll(strings.TrimSpace(list[i]), "\x00", "|")
	}
	return list
}
