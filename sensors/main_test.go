package sensors

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"bayfill/fillcalc"
)

// childVariable names what a second process of the test binary has to do: the
// limits and rights of a process cannot be changed for one test only.
const childVariable = "BAYFILL_SENSORS_TEST_CHILD"

func TestMain(m *testing.M) {
	if child, ok := children[os.Getenv(childVariable)]; ok {
		if err := child(); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// frames reads a file of published frames.
func frames(t testing.TB, name string, into any) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "testdata", "frames", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

// unhex reads bytes written as in "01 03 0A".
func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return b
}

func mustNew(t testing.TB, name string, o Options) Protocol {
	t.Helper()
	p, err := New(name, o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// sound checks what every protocol promises about a reading, and that the error
// points into the frame.
func sound(t testing.TB, frame []byte, q Quantity, r Reading, err error) {
	t.Helper()
	if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		t.Fatalf("%q: value %g", frame, r.Value)
	}
	if r.Quantity != q {
		t.Fatalf("%q: quantity %d, want %d", frame, r.Quantity, q)
	}
	if (err != nil) != r.Faults.Hidden() {
		t.Fatalf("%q: faults %v with error %v", frame, r.Faults.Names(), err)
	}
	if err == nil {
		return
	}
	if r.Value != 0 || r.Stability != fillcalc.StabilityUnknown {
		t.Fatalf("%q: an error and still a value: %+v", frame, r)
	}
	var fe *frameError
	if !errors.As(err, &fe) {
		t.Fatalf("%q: %T names no byte", frame, err)
	}
	if fe.field == "" || fe.at < 0 || fe.at > len(frame) {
		t.Fatalf("%q: %q at byte %d of %d", frame, fe.field, fe.at, len(frame))
	}
	if head := fmt.Sprintf("%s, byte %d: ", fe.field, fe.at); !strings.HasPrefix(err.Error(), head) || len(err.Error()) == len(head) {
		t.Fatalf("%q: text %q does not begin with %q", frame, err, head)
	}
}

// outcome is the expected result of a frame: a value, or faults at a field and byte.
type outcome struct {
	value     float64
	stability fillcalc.Stability
	faults    fillcalc.Faults
	field     string
	at        int
}

func good(value float64, s fillcalc.Stability) outcome { return outcome{value: value, stability: s} }

func bad(f fillcalc.Faults, field string, at int) outcome {
	return outcome{faults: f, field: field, at: at}
}

// same compares the result of Parse with the expected one; the value bit by bit,
// because every conversion rounds only once.
func same(t testing.TB, frame []byte, q Quantity, r Reading, err error, want outcome) {
	t.Helper()
	sound(t, frame, q, r, err)
	if r.Faults != want.faults {
		t.Errorf("%q: faults %v, want %v (%v)", frame, r.Faults.Names(), want.faults.Names(), err)
		return
	}
	if r.Value != want.value || r.Stability != want.stability {
		t.Errorf("%q: %.17g %v, want %.17g %v", frame, r.Value, r.Stability, want.value, want.stability)
	}
	var fe *frameError
	if errors.As(err, &fe) && (fe.field != want.field || fe.at != want.at) {
		t.Errorf("%q: error %q, want it at %s, byte %d", frame, err, want.field, want.at)
	}
}

// take splits data as [Sensor.Run] does, when it arrives in the given pieces.
func take(t testing.TB, p Protocol, pieces [][]byte, parsed func(frame []byte, r Reading, err error)) {
	t.Helper()
	var pending []byte
	for _, piece := range pieces {
		pending = append(pending, piece...)
		for len(pending) > 0 {
			advance, frame := p.Split(pending)
			if advance < 0 || advance > len(pending) || len(frame) > advance {
				t.Fatalf("%s: Split of %d bytes: advance %d, frame of %d", p.Name, len(pending), advance, len(frame))
			}
			if advance == 0 {
				// Split must not hold back more than a frame needs: a full buffer is discarded.
				if frame != nil || len(pending) > maxLineBytes+1 {
					t.Fatalf("%s: Split keeps %d bytes, frame %q", p.Name, len(pending), frame)
				}
				break
			}
			if frame != nil {
				r, err := p.Parse(frame)
				parsed(frame, r, err)
			}
			pending = pending[advance:]
		}
	}
}

// singly cuts data into pieces of one byte.
func singly(data []byte) [][]byte {
	pieces := make([][]byte, len(data))
	for i := range data {
		pieces[i] = data[i : i+1]
	}
	return pieces
}

// withParity puts a parity bit into bit 7 of seven-bit bytes: a line at 7E1 as it
// arrives at 8N1.
func withParity(data []byte, parity byte) []byte {
	out := bytes.Clone(data)
	for i, b := range out {
		odd := bits.OnesCount8(b&0x7F)%2 == 1
		out[i] = b & 0x7F
		if odd == (parity == 'E') {
			out[i] |= 0x80
		}
	}
	return out
}
