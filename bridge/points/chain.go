package points

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"

	"bayfill/fillcalc"
)

// Head is the end of a chain over a cart's events and what was published after them.
// Each link is the SHA-256 of the link before it and of one event or one published
// message. Two journals with the same head hold the same events in the same order.
type Head [sha256.Size]byte

// Link returns the head after one more event. It hashes everything that the fold
// reads: integers and the bits of the value in big endian, texts after their length,
// and the input as its JSON.
func (h Head) Link(e *fillcalc.Event) Head {
	input := []byte{}
	if e.Input != nil {
		input, _ = json.Marshal(e.Input) // all its types have a JSON form
	}
	b := make([]byte, 0, 128+len(input))
	b = append(b, h[:]...)
	for _, n := range [...]uint64{e.Seq, uint64(e.AtNs), uint64(e.Kind), e.N, math.Float64bits(e.Value),
		uint64(e.Stability), uint64(e.Faults), uint64(len(e.Sensor))} {
		b = binary.BigEndian.AppendUint64(b, n)
	}
	b = append(b, e.Sensor...)
	b = binary.BigEndian.AppendUint64(b, uint64(len(input)))
	return sha256.Sum256(append(b, input...))
}

// String returns the head as 64 hexadecimal digits.
func (h Head) String() string { return hex.EncodeToString(h[:]) }

// MarshalText writes the head as [Head.String] does.
func (h Head) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads 64 hexadecimal digits.
func (h *Head) UnmarshalText(text []byte) error {
	if n, err := hex.Decode(h[:], text[:min(len(text), 2*len(h))]); err != nil || n != len(h) || len(text) != 2*len(h) {
		return fmt.Errorf("chain: %.80q is not %d hexadecimal digits", text, 2*len(h))
	}
	return nil
}

// Chain is the state of the chain over a journal.
type Chain struct {
	Head    Head   `json:"head"`     // after the last event
	JobHead Head   `json:"job_head"` // before the opening of the newest job
	JobSeq  uint64 `json:"job_seq"`  // the event that opened it
}

// LinkPublished returns the head after a published message. The order of the fields
// does not matter, and the fields that hold the chain itself and its signature are left out.
func (h Head) LinkPublished(measurement string, seq uint64, f Fields) Head {
	b := make([]byte, 0, 1024)
	b = append(b, h[:]...)
	text := func(s string) {
		b = binary.BigEndian.AppendUint64(b, uint64(len(s)))
		b = append(b, s...)
	}
	b = binary.BigEndian.AppendUint64(b, seq)
	text(measurement)
	for _, name := range slices.Sorted(maps.Keys(f)) {
		if name == ChainField || name == SignatureField {
			continue
		}
		text(name)
		switch v := f[name].(type) {
		case float64:
			b = binary.BigEndian.AppendUint64(append(b, 'f'), math.Float64bits(v))
		case int64:
			b = binary.BigEndian.AppendUint64(append(b, 'i'), uint64(v))
		default:
			b = append(b, 't')
			text(fmt.Sprint(v))
		}
	}
	return sha256.Sum256(b)
}

const (
	// ChainField is the field of a volume point that holds the head at its event, and of
	// a closing record that holds the head after the record itself.
	ChainField = "chain"
	// shortDigits is how much of the head a volume point holds: enough to find the point
	// after which two histories differ.
	shortDigits = 16
)

// Short returns the first 16 hexadecimal digits of the head, which a volume point holds.
func (h Head) Short() string { return h.String()[:shortDigits] }
