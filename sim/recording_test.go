package sim

import (
	"reflect"
	"strings"
	"testing"
	"time"
)

func TestReadRecording(t *testing.T) {
	r, err := ReadRecording(strings.NewReader("# bayfill listen --record\n# line 9600 7E1\n0.1 \"\\nW\\r\"\n\n0.25 \"\\xff\\x00\"\n"))
	want := Recording{LineSettings{9600, 7, "even"}, []Piece{{100 * time.Millisecond, []byte("\nW\r")}, {250 * time.Millisecond, []byte{0xff, 0}}}}
	if err != nil || !reflect.DeepEqual(r, want) {
		t.Errorf("%v: %+v", err, r)
	}
	for text, says := range map[string]string{
		"":                         "empty",
		"0.1 W":                    "line 1: bytes: \"W\"",
		"soon \"W\"":               "line 1: seconds: \"soon\"",
		"-1 \"W\"":                 "seconds",
		"NaN \"W\"":                "seconds",
		"2 \"W\"\n1 \"W\"":         "line 2: order",
		"# line fast\n1 \"W\"":     "line 1: line: \"fast\"",
		"# line 9600 7N1\n1 \"W\"": "line 1: line: \"9600 7N1\"",
	} {
		if _, err := ReadRecording(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// No text makes the reader fail, and times never run back.
func FuzzReadRecording(f *testing.F) {
	f.Add("# line 9600 8N1\n0.1 \"W\\r\"\n0.2 \"x\"")
	f.Fuzz(func(t *testing.T, text string) {
		r, err := ReadRecording(strings.NewReader(text))
		if err != nil {
			return
		}
		last := time.Duration(0)
		for _, p := range r.Pieces {
			if p.At < last {
				t.Errorf("%v after %v", p.At, last)
			}
			last = p.At
		}
	})
}
