package config

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"bayfill/bridge/typo"
	"bayfill/bridge/words"
)

// shownLines returns the lines of the file without secrets, also without those under a
// mistyped key.
func (d *document) shownLines() []string {
	lines := shownLines(d.text)
	for i := range d.cuts {
		c := &d.cuts[i]
		if at := c.err.GetToken().Position.Line; c.near != "" && secretKey.MatchString(c.near+":") && at <= len(lines) {
			lines[at-1] = c.near + ": " + hiddenText
		}
	}
	return lines
}

// nearest is the key that somebody may have meant.
func (d *document) nearest(typed string) string {
	return typo.Nearest(typed, slices.DeleteFunc(slices.Clone(d.keys), func(k string) bool { return k == typed }))
}

// explain rewrites an error of the YAML decoder: it names the line, shows the place, suggests
// the nearest valid key for an unknown one, and hides secrets in the file.
func (d *document) explain(err yaml.Error, near string, lines []string) error {
	at := err.GetToken().Position
	value := strings.ReplaceAll(err.GetToken().Value, `"`, "'")
	typed := visible(value, lines)
	var message error = errors.New(shown(err.GetMessage(), lines))
	var wrong *yaml.TypeError
	var shape *yaml.UnexpectedNodeTypeError
	switch {
	case errors.As(err, new(*yaml.UnknownFieldError)):
		key := "config.unknown_key"
		if slices.Contains(d.keys, value) { // elsewhere it is one
			key = "config.misplaced_key"
		}
		if near != "" {
			key += "_near"
		}
		message = words.NewError(key, "typed", typed, "near", near)
	case errors.As(err, new(*yaml.DuplicateKeyError)):
		message = words.NewError("config.key_twice", "typed", typed)
	case errors.As(err, &shape) && shape.Expected == ast.MappingType:
		message = words.NewError("config.must_be", "typed", typed, "value", "group")
	case errors.As(err, &shape) && shape.Expected == ast.SequenceType:
		message = words.NewError("config.must_be", "typed", typed, "value", "list")
	case errors.As(err, &wrong): // the decoder's message names Go types
		kind := map[reflect.Kind]string{reflect.Float64: "number", reflect.Int: "whole", reflect.String: "text",
			reflect.Bool: "bool", reflect.Slice: "list", reflect.Struct: "group"}[wrong.DstType.Kind()]
		if kind != "" {
			message = words.NewError("config.must_be", "typed", typed, "value", kind)
		}
	}
	return fmt.Errorf("%w\n%s", words.NewError("config.line", "line", at.Line, "why", message), drawn(lines, at.Line, at.Column))
}

// locate adds the line to an error that was not cut out: that of the key that it is about, of
// the key above it if there is none.
func (d *document) locate(v *value, lines []string) (line int, err error) {
	var placed yaml.Error
	switch {
	case errors.As(v.err, &placed) && placed.GetToken() != nil:
		return placed.GetToken().Position.Line, d.explain(placed, "", lines)
	case v.place == "" && !errors.As(v.err, new(*words.Error)):
		return 0, words.NewError("config.not_yaml")
	}
	for path := v.place; strings.Contains(path, "."); path = path[:strings.LastIndexByte(path, '.')] {
		if p, bad := yaml.PathString(path); bad == nil {
			if node, bad := p.FilterNode(d.body); bad == nil && node != nil && node.GetToken() != nil {
				line = node.GetToken().Position.Line
				return line, words.NewError("config.line", "line", line, "why", v.err)
			}
		}
	}
	return 0, v.err
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
