package bridge

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"

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

// after is the chain with more events.
func (c Chain) after(events []fillcalc.Event) Chain {
	for i := range events {
		e := &events[i]
		if e.Input != nil && e.Input.Do == fillcalc.DoOpen {
			c.JobHead, c.JobSeq = c.Head, e.Seq
		}
		c.Head = c.Head.Link(e)
	}
	return c
}
