package config

import (
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"bayfill/bridge/words"
)

// The decoder stops at its first error. To find all, what it stops at is cut out of the
// document, and the rest is decoded again.

// maxCuts is how many errors of the decoder are looked for.
const maxCuts = 50

// document is a YAML file that is read into a struct.
type document struct {
	text []byte
	keys []string // of the struct and of those in it
	body ast.Node
	cuts []cut
}

// cut is what was cut out of a document, and why.
type cut struct {
	path, key string // of the group or the list's element, and in it
	near      string // the key that was meant
	err       yaml.Error
}

// readYAML reads one document into a struct, then calls check for its values. The error joins
// all that is wrong, in the order of the lines, see [Faults].
func readYAML(text []byte, into any, check func() error) error {
	d := document{text: text, keys: yamlKeys(reflect.TypeOf(into))}
	last := d.decode(into)
	if last == nil {
		last = check()
	}
	return d.faults(last)
}

// decode decodes the document without what is cut out of it. The error is one that it cannot
// cut out.
func (d *document) decode(into any) (err error) {
	// The decoder panics on some files that are not YAML (fuzzing found one).
	defer func() {
		if recover() != nil {
			err = words.NewError("config.not_yaml")
		}
	}()
	if err := d.parse(); err != nil {
		return err
	}
	for {
		err := yaml.NodeToValue(d.body, into, yaml.Strict())
		var placed yaml.Error
		if err == nil || len(d.cuts) == maxCuts || !errors.As(err, &placed) || placed.GetToken() == nil {
			return err
		}
		c := cut{err: placed}
		if errors.As(err, new(*yaml.UnknownFieldError)) {
			c.near = d.nearest(placed.GetToken().Value)
		}
		if !c.from(d.body, "$") {
			return err
		}
		d.cuts = append(d.cuts, c)
	}
}

// parse finds the one document of the file.
func (d *document) parse() error {
	if len(d.text) > maxFile {
		return words.NewError("config.too_large", "bytes", len(d.text), "most", maxFile)
	}
	file, err := parser.ParseBytes(d.text, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return err
	}
	for _, doc := range file.Docs {
		switch {
		case doc.Body == nil, doc.Body.Type() == ast.CommentType, doc.Body.Type() == ast.DirectiveType:
		case d.body != nil:
			return words.NewError("config.second")
		default:
			d.body = doc.Body
		}
	}
	if d.body == nil {
		return words.NewError("config.empty_file")
	}
	return checkSize(d.body)
}

// from cuts what the error is about out of a node: an entry whose key it is about, or a value,
// in whose place there is none then. It reports whether it has found it.
func (c *cut) from(node ast.Node, path string) bool {
	at := c.err.GetToken()
	switch n := node.(type) {
	case *ast.AnchorNode:
		return c.from(n.Value, path)
	case *ast.TagNode:
		return c.from(n.Value, path)
	case *ast.MappingNode:
		for i, entry := range n.Values {
			key := entry.Key.GetToken()
			c.path, c.key = path, key.Value
			switch {
			case key == at:
				n.Values = slices.Delete(n.Values, i, i+1)
				return true
			case entry.Value.GetToken() == at:
				entry.Value = ast.Null(at)
				return true
			case c.from(entry.Value, path+"."+key.Value):
				return true
			}
		}
	case *ast.SequenceNode:
		for i, value := range n.Values {
			element := fmt.Sprintf("%s[%d]", path, i)
			c.path, c.key = element, ""
			if value.GetToken() == at {
				n.Values[i] = ast.Null(at)
				return true
			}
			if c.from(value, element) {
				return true
			}
		}
	}
	return false
}

// places are the path of what was cut out, and that of the key that was meant.
func (c *cut) places() []string {
	switch {
	case c.key == "": // an element of a list
		return []string{c.path}
	case c.near == "":
		return []string{c.path + "." + c.key}
	}
	return []string{c.path + "." + c.key, c.path + "." + c.near}
}

// value is an error about a value: of which key, and which others it takes to be right. Both
// are empty if it is about none.
type value struct {
	err   error
	place string
	given []string
}

func newValue(err error) value {
	v := value{err: err}
	if e := new(keyError); errors.As(err, &e) {
		place, given := e.paths()
		v.place = "$." + place
		for _, key := range given {
			v.given = append(v.given, "$."+key)
		}
	}
	return v
}

// faults joins what is wrong: what was cut out, and the last error, which may join those of a
// check.
func (d *document) faults(last error) error {
	type fault struct {
		line int
		err  error
	}
	var list []fault
	lines := d.shownLines()
	for i := range d.cuts {
		c := &d.cuts[i]
		list = append(list, fault{c.err.GetToken().Position.Line, d.explain(c.err, c.near, lines)})
	}
	var values []value
	for _, err := range Faults(last) {
		values = append(values, newValue(err))
	}
	for i := range values {
		if v := &values[i]; !d.follows(v) && !slices.ContainsFunc(values, func(other value) bool { return v.needs(other.place) }) {
			line, err := d.locate(v, lines)
			list = append(list, fault{line, err})
		}
	}
	slices.SortStableFunc(list, func(a, b fault) int { return cmp.Compare(a.line, b.line) })
	joined := make([]error, len(list))
	for i := range list {
		joined[i] = list[i].err
	}
	return errors.Join(joined...)
}

// follows reports whether an error only follows from what was cut out.
func (d *document) follows(v *value) bool {
	if v.place == "" {
		return false
	}
	for i := range d.cuts {
		for _, bad := range d.cuts[i].places() {
			// The error of a list is about the number of its elements.
			if inside(v.place, bad) || strings.HasPrefix(bad, v.place+".") || v.needs(bad) {
				return true
			}
		}
	}
	return false
}

// needs reports whether the error takes a key to be right that is wrong.
func (v *value) needs(bad string) bool {
	return bad != v.place && slices.ContainsFunc(v.given, func(key string) bool { return inside(key, bad) })
}

// inside reports whether a path is that of a group or in it.
func inside(path, group string) bool {
	rest, ok := strings.CutPrefix(path, group)
	return ok && (rest == "" || rest[0] == '.' || rest[0] == '[')
}
