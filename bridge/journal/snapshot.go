package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"bayfill/fillcalc"
)

// A snapshot is the state as JSON with the SHA-256 of that as its last field, since
// SQLite's pages carry no checksum: a changed digit would be drained or added. One
// of an older program has no such field; that program in turn passes over it.
const (
	sumBegins = `,"sha256":"`
	sumEnds   = `"}`
)

func EncodeSnapshot(s *fillcalc.State) ([]byte, error) {
	text, err := json.Marshal(s)
	if err != nil {
		return nil, err
	}
	return append(text[:len(text)-1], sumBegins+sumOf(text)+sumEnds...), nil
}

func sumOf(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// decodeSnapshot gives the state, unless a digit or a letter has changed.
func DecodeSnapshot(text []byte) (s fillcalc.State, err error) {
	const tail = len(sumBegins) + 2*sha256.Size + len(sumEnds)
	if at := len(text) - tail; at > 0 && bytes.HasPrefix(text[at:], []byte(sumBegins)) {
		state := append(bytes.Clone(text[:at]), '}')
		if sumOf(state) != string(text[at+len(sumBegins):len(text)-len(sumEnds)]) {
			return s, errors.New("its checksum is wrong")
		}
	}
	if err := json.Unmarshal(text, &s); err != nil {
		return fillcalc.State{}, err
	}
	return s, nil
}

// snapshot is the state that was kept last; the zero one when there is none, or
// none that can be trusted: then damaged says why.
func (j *Journal) snapshot() (s fillcalc.State, damaged error, err error) {
	kept, err := j.Mark("snapshot")
	if err != nil || kept == "" {
		return s, nil, err
	}
	s, damaged = DecodeSnapshot([]byte(kept))
	return s, damaged, nil
}

// withoutSnapshot tells what follows from a snapshot that is damaged, when all
// that is known begins with an event.
func withoutSnapshot(damaged error, first *fillcalc.Event) string {
	const do = ": the card may be failing, copy the data folder to another"
	if first.Seq == 1 {
		return fmt.Sprintf("the journal's snapshot is damaged (%v); all was computed again from the events, nothing is missing%s", damaged, do)
	}
	return fmt.Sprintf("the journal's snapshot is damaged (%v), and the events that are left begin at %s (event %d): a job opened before, and fluids measured before, are not known%s",
		damaged, time.Unix(0, first.AtNs).UTC().Format("2006-01-02 15:04 UTC"), first.Seq, do)
}
