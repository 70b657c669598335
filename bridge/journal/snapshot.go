package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"time"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// A snapshot is the state as JSON with the SHA-256 of that JSON as its last field.
// SQLite's pages have no checksum, and a changed digit would falsify the tally.
const (
	sumBegins = `,"sha256":"`
	sumEnds   = `"}`
)

// EncodeSnapshot returns a state as the snapshot that a journal keeps.
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

// DecodeSnapshot returns the state in a snapshot. A missing or wrong checksum is an
// error.
func DecodeSnapshot(text []byte) (s fillcalc.State, err error) {
	const tail = len(sumBegins) + 2*sha256.Size + len(sumEnds)
	at := len(text) - tail
	if at <= 0 || !bytes.HasPrefix(text[at:], []byte(sumBegins)) {
		return s, words.NewError("record.no_checksum")
	}
	state := append(bytes.Clone(text[:at]), '}')
	if sumOf(state) != string(text[at+len(sumBegins):len(text)-len(sumEnds)]) {
		return s, words.NewError("record.bad_checksum")
	}
	if err := json.Unmarshal(state, &s); err != nil {
		return fillcalc.State{}, err
	}
	return s, nil
}

// snapshot returns the state in the last snapshot. It is zero when there is no
// snapshot, and when the snapshot cannot be trusted: then damaged says why.
func (j *Journal) snapshot() (s fillcalc.State, damaged error, err error) {
	kept, err := j.Mark("snapshot")
	if err != nil || kept == "" {
		return s, nil, err
	}
	s, damaged = DecodeSnapshot([]byte(kept))
	return s, damaged, nil
}

// withoutSnapshot returns the text of the alert about a damaged snapshot. first is the
// oldest event that is left.
func withoutSnapshot(damaged error, first *fillcalc.Event) fillcalc.Text {
	t := fillcalc.Text{Key: "alert.snapshot", Names: map[string]string{"reason": damaged.Error()}}
	if first.Seq > 1 {
		t.Key = "alert.snapshot_lost"
		t.Names["from_when"] = time.Unix(0, first.AtNs).UTC().Format(time.RFC3339)
	}
	return t
}
