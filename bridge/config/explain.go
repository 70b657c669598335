package config

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"bayfill/bridge/typo"
)

// explainYAML rewrites an error of the YAML decoder: it names the line, shows the place,
// suggests the nearest valid key for an unknown one, and hides secrets in the file.
func explainYAML(text []byte, err error, keys []string) error {
	var placed yaml.Error
	if !errors.As(err, &placed) || placed.GetToken() == nil {
		return errors.New("not readable as YAML")
	}
	lines := shownLines(text)
	message, at := placed.GetMessage(), placed.GetToken().Position
	value := strings.ReplaceAll(placed.GetToken().Value, `"`, "'")
	hint, hide := "", ""
	var wrong *yaml.TypeError
	switch {
	case errors.As(err, new(*yaml.UnknownFieldError)):
		message = fmt.Sprintf(`unknown key "%s"`, value)
		if slices.Contains(keys, value) { // elsewhere it is one
			message = fmt.Sprintf(`the key "%s" does not belong here`, value)
		}
		near := typo.Nearest(value, slices.DeleteFunc(slices.Clone(keys), func(k string) bool { return k == value }))
		if near == "" {
			break
		}
		hint = fmt.Sprintf(", did you mean %q?", near)
		if secretKey.MatchString(near + ":") {
			hide = near + ": " + hiddenText
		}
	case errors.As(err, &wrong): // the decoder's message names Go types
		kind := map[reflect.Kind]string{reflect.Float64: "a number", reflect.Int: "a whole number", reflect.String: "a text",
			reflect.Bool: "true or false", reflect.Slice: "a list", reflect.Struct: "a group of keys"}[wrong.DstType.Kind()]
		if kind != "" {
			message = fmt.Sprintf(`"%s" must be %s`, value, kind)
		}
	}
	message = shown(message, lines)
	if hide != "" && at.Line <= len(lines) {
		lines[at.Line-1] = hide // the value of the mistyped key
	}
	return fmt.Errorf("line %d: %s%s\n%s", at.Line, message, hint, drawn(lines, at.Line, at.Column))
}

// locate adds the line of the key that an error is about. For a missing key it is the
// line of the key above it.
func locate(text []byte, err error) error {
	path := "$." + keyPath(err)
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

// yamlKeys lists every key of a type and of the types in it.
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
