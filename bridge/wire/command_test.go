package wire

import (
	"reflect"
	"strings"
	"testing"
)

// FuzzCommand parses any payload: the result is an error with a text, or a command
// that is the same after writing and parsing it again. An id that passes is safe in a
// topic.
func FuzzCommand(f *testing.F) {
	f.Add([]byte(`{"id":"1","do":"open","fluid":"fresh","low_c":35,"high_c":45,"not_after":"2030-01-01T00:00:00Z"}`))
	f.Add([]byte(`{"id":"#","do":"close"}`))
	f.Add([]byte(`{"id":"1","id":"2","do":"close"}`))
	f.Add([]byte(`{"ID":"1","Do":"close"}`))
	f.Add([]byte(strings.Repeat(`{"a":`, 1000)))
	f.Fuzz(func(t *testing.T, payload []byte) {
		id, ok := CommandID(payload)
		if ok && !IDPattern.MatchString(id) {
			t.Fatalf("the id %q passed", id)
		}
		c, err := ParseCommand(payload)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without a text")
			}
			return
		}
		if c.ID != id {
			t.Fatalf("the command's id is %q, its answer goes to %q", c.ID, id)
		}
		again, err := ParseCommand(Encode(c.fields()))
		if err != nil || !reflect.DeepEqual(c, again) {
			t.Fatalf("%s: again %+v, was %+v, %v", payload, again, c, err)
		}
	})
}

// fields returns the command's values as JSON has them.
func (c *Command) fields() map[string]any {
	all := map[string]any{}
	for name, v := range c.values {
		f, _ := c.typ.Field(name)
		switch f.Kind {
		case KindAmount:
			all[name] = v.Number
			if v.Text != "" {
				all[name] = v.Text
			}
		case KindNumber:
			all[name] = v.Number
		case KindWhole:
			all[name] = v.Whole
		default:
			all[name] = v.Text
		}
	}
	return all
}
