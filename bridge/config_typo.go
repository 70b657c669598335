package bridge

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"strings"

	"github.com/goccy/go-yaml"
)

// explainYAML adds the nearest valid key to an unknown one. The decoder's own
// text shows line, column and the place.
func explainYAML(err error, keys []string) error {
	var unknown *yaml.UnknownFieldError
	if errors.As(err, &unknown) && unknown.Token != nil {
		key := unknown.Token.Value
		if near := nearest(key, keys); near != "" {
			return fmt.Errorf("line %d: unknown key %q, did you mean %q?\n%s",
				unknown.Token.Position.Line, key, near, yaml.FormatError(err, false, true))
		}
		return fmt.Errorf("line %d: unknown key %q\n%s", unknown.Token.Position.Line, key, yaml.FormatError(err, false, true))
	}
	var wrong *yaml.TypeError
	if errors.As(err, &wrong) && wrong.Token != nil {
		kind := map[reflect.Kind]string{reflect.Float64: "a number", reflect.Int: "a whole number", reflect.String: "a text",
			reflect.Bool: "true or false", reflect.Slice: "a list", reflect.Struct: "a group of keys"}[wrong.DstType.Kind()]
		if kind != "" {
			// The decoder's first line speaks of Go; its drawing of the place is good.
			_, place, _ := strings.Cut(yaml.FormatError(err, false, true), "\n")
			return fmt.Errorf("line %d: %q is not what is wanted here: %s\n%s", wrong.Token.Position.Line, wrong.Token.Value, kind, place)
		}
	}
	var placed yaml.Error
	if errors.As(err, &placed) && placed.GetToken() != nil {
		return fmt.Errorf("line %d: %s", placed.GetToken().Position.Line, yaml.FormatError(err, false, true))
	}
	return errors.New(yaml.FormatError(err, false, true))
}

// secretInFile is a secret that somebody wrote into the file by mistake: drawings
// of a place go on into logs and must not show it. Of a text over several lines
// the end is not known, so nothing after it is shown.
var secretInFile = regexp.MustCompile(`(?i)((?:\w*(?:pas+w|secret|token)\w*|\bkey)["']?[ \t]*:[ \t]*)(?:[|>](?s:.*)|[^\s{].*)`)

// remarks are the names that check puts behind list positions for the reader.
var remarks = regexp.MustCompile(` \([^)]*\)`)

// locate puts the line in front of what check found wrong, by the path with
// which every such error begins; a key that is missing is looked for where it
// belongs.
func locate(text []byte, err error) error {
	path, _, _ := strings.Cut(err.Error(), ":")
	path = "$." + remarks.ReplaceAllString(path, "")
	for strings.Contains(path, ".") {
		if p, bad := yaml.PathString(path); bad == nil {
			if node, bad := p.ReadNode(bytes.NewReader(text)); bad == nil && node.GetToken() != nil {
				return fmt.Errorf("line %d: %w", node.GetToken().Position.Line, err)
			}
		}
		path = path[:strings.LastIndexByte(path, '.')]
	}
	return err
}

// yamlKeys collects every key that a type, or what is in it, may hold.
func yamlKeys(t reflect.Type) []string {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	var keys []string
	for i := range t.NumField() {
		if key := t.Field(i).Tag.Get("yaml"); key != "" && key != "-" {
			keys = append(keys, key)
			keys = append(keys, yamlKeys(t.Field(i).Type)...)
		}
	}
	return keys
}

// nearest is the candidate that the fewest edits lead to, if few enough.
func nearest(word string, candidates []string) string {
	best, bestCost := "", max(2, len(word)/2)+1
	for _, c := range candidates {
		if cost := edits(word, c); cost < bestCost {
			best, bestCost = c, cost
		}
	}
	return best
}

// edits is Levenshtein's distance.
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
