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

// Head is the end of a chain over a cart's events: each link is the SHA-256 of
// the link before and of one event. Two journals with the same head hold the
// same events in the same order.
type Head [sha256.Size]byte

// Link is the head after one more event. All that the fold eats is in it, byte
// for byte: whole numbers and the bits of the value in big endian, texts with
// their length before them, the input as its JSON.
func (h Head) Link(e *fillcalc.Event) Head {
	input := []byte{}
	if e.Input != nil {
		input, _ = json.Marshal(e.Input) // made of types that JSON can say
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

func (h Head) String() string { return hex.EncodeToString(h[:]) }

// MarshalText and UnmarshalText write a head as 64 hexadecimal digits.
func (h Head) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

func (h *Head) UnmarshalText(text []byte) error {
	if n, err := hex.Decode(h[:], text[:min(len(text), 2*len(h))]); err != nil || n != len(h) || len(text) != 2*len(h) {
		return fmt.Errorf("chain: %.80q is not %d hexadecimal digits", text, 2*len(h))
	}
	return nil
}

// Chain is how far the chain over a journal has got, and where the newest job in
// it began: its first event and the head before that.
type Chain struct {
	Head    Head   `json:"head"`
	JobHead Head   `json:"job_head"`
	JobSeq  uint64 `json:"job_seq"`
}

// LinkPublished is the head after what was published, whatever the order of its
// fields. What a point says of the chain itself is left out.
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
		if name == ChainField {
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
	ChainField = "chain"
	// sealDigits is how much of the head a volume point carries: enough to tell after
	// which point two histories part.
	sealDigits = 16
)

// Seal is what a volume point says of the head at its event.
func (h Head) Seal() string { return h.String()[:sealDigits] }
