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
	"bayfill/bridge/words"
)

// explainYAML rewrites an error of the YAML decoder: it names the line, shows the place,
// suggests the nearest valid key for an unknown one, and hides secrets in the file.
func explainYAML(text []byte, err error, keys []string) error {
	var placed yaml.Error
	if !errors.As(err, &placed) || placed.GetToken() == nil {
		return words.NewError("config.not_yaml")
	}
	lines := shownLines(text)
	at := placed.GetToken().Position
	value := strings.ReplaceAll(placed.GetToken().Value, `"`, "'")
	typed := visible(value, lines)
	var message error = errors.New(shown(placed.GetMessage(), lines))
	var wrong *yaml.TypeError
	hide := ""
	switch {
	case errors.As(err, new(*yaml.UnknownFieldError)):
		key := "config.unknown_key"
		if slices.Contains(keys, value) { // elsewhere it is one
			key = "config.misplaced_key"
		}
		near := typo.Nearest(value, slices.DeleteFunc(slices.Clone(keys), func(k string) bool { return k == value }))
		if near != "" {
			key += "_near"
		}
		message = words.NewError(key, "typed", typed, "near", near)
		if near != "" && secretKey.MatchString(near+":") {
			hide = near + ": " + hiddenText
		}
	case errors.As(err, &wrong): // the decoder's message names Go types
		kind := map[reflect.Kind]string{reflect.Float64: "number", reflect.Int: "whole", reflect.String: "text",
			reflect.Bool: "bool", reflect.Slice: "list", reflect.Struct: "group"}[wrong.DstType.Kind()]
		if kind != "" {
			message = words.NewError("config.must_be", "typed", typed, "value", kind)
		}
	}
	if hide != "" && at.Line <= len(lines) {
		lines[at.Line-1] = hide // the value of the mistyped key
	}
	return fmt.Errorf("%w\n%s", words.NewError("config.line", "line", at.Line, "why", message), drawn(lines, at.Line, at.Column))
}

// locate adds the line of the key that an error is about. For a missing key it is the
// line of the key above it.
func locate(text []byte, err error) error {
	path := "$." + keyPath(err)
	for strings.Contains(path, ".") {
		if p, bad := yaml.PathString(path); bad == nil {
			if node, bad := p.ReadNode(bytes.NewReader(text)); bad == nil && node.GetToken() != nil {
				return words.NewError("config.line", "line", node.GetToken().Position.Line, "why", err)
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
