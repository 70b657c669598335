package wire

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
)

// Whatever arrives, it is a command that says the same again when written anew,
// or an error; and only ids that are safe in a topic pass.
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
		var kept map[string]any
		text, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, &kept); err != nil {
			t.Fatal(err)
		}
		for field, value := range kept {
			if value == nil || value == "" {
				delete(kept, field)
			}
		}
		text, _ = json.Marshal(kept)
		again, err := ParseCommand(text)
		if err != nil || !reflect.DeepEqual(c, again) {
			t.Fatalf("%s: again %+v, was %+v, %v", text, again, c, err)
		}
	})
}
