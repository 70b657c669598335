package influxql

import (
	"context"
	"fmt"
	"slices"
	"strings"
)

// Type is the type of a field's values, as the server names it.
type Type string

const (
	Float    Type = "float"
	Integer  Type = "integer"
	Unsigned Type = "unsigned"
	String   Type = "string"
	Boolean  Type = "boolean"
)

// Field is a field of a measurement. InfluxDB 1.8 and 2 keep the type by shard, a week or
// so: a field may have several, and is then listed once for each. Only numbers are converted
// from one type to the other when they are read, so a field with two types of number is one
// Field: its values are of Type unless only Also can hold them.
type Field struct {
	Name string
	Type Type
	Also Type // empty: there is none
}

// Schema is the fields of each measurement.
type Schema map[string][]Field

// Fields returns the fields of a measurement that have one of some names.
func (s Schema) Fields(measurement string, names ...string) (list []Field) {
	for _, f := range s[measurement] {
		if slices.Contains(names, f.Name) {
			list = append(list, f)
		}
	}
	return list
}

// Schema asks for the fields of all measurements whose names begin with a text.
func (c *Client) Schema(ctx context.Context, begins string) (Schema, error) {
	s := Schema{}
	err := c.each(ctx, "SHOW FIELD KEYS", func(part *series) error {
		if !strings.HasPrefix(part.Name, begins) {
			return nil
		}
		key, kind := slices.Index(part.Columns, "fieldKey"), slices.Index(part.Columns, "fieldType")
		for _, row := range part.Values {
			if key < 0 || kind < 0 || max(key, kind) >= len(row) {
				return errStrange
			}
			name, isText := row[key].(string)
			as, _ := row[kind].(string)
			if !isText || !slices.Contains([]Type{Float, Integer, Unsigned, String, Boolean}, Type(as)) {
				return fmt.Errorf("field %v of %s has the unknown type %v", row[key], part.Name, row[kind])
			}
			s.add(part.Name, Field{Name: name, Type: Type(as)}, c.whole)
		}
		return nil
	})
	return s, err
}

// add adds a field. whole says which of both types of number its values have where both fit.
func (s Schema) add(measurement string, f Field, whole func(string) bool) {
	other := func(has Field) bool { return has.Name == f.Name && has.Type.number() && f.Type.number() }
	i := slices.IndexFunc(s[measurement], other)
	if i < 0 {
		s[measurement] = append(s[measurement], f)
		return
	}
	if has := &s[measurement][i]; whole(f.Name) {
		has.Type, has.Also = Integer, Float
	} else {
		has.Type, has.Also = Float, Integer
	}
}

func (t Type) number() bool { return t == Float || t == Integer }
