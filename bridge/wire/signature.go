package wire

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"bayfill/fillcalc"
)

// A shop that does not trust its broker gives its carts a key. A cart with a key
// accepts signed commands only: the MAC must be made with the key for this cart, and
// the counter must be higher than all before it. Whoever carries the messages can
// still hold them back, but can neither forge nor change nor repeat one.

// Signed is a signed command as it is sent.
type Signed struct {
	Command string `json:"signed"`  // the command as JSON text
	Counter uint64 `json:"counter"` // higher than all before it on this cart
	MAC     string `json:"mac"`     // 64 hexadecimal digits
}

// MaxCounter is the largest integer that JSON readers of every language represent
// exactly.
const MaxCounter = 1<<53 - 1

// CommandMAC returns the HMAC-SHA256 (RFC 2104, FIPS 180-4) over the topic, the counter
// in decimal and the command, separated by line feeds. The topic binds it to one cart.
func CommandMAC(key []byte, topic string, counter uint64, command string) []byte {
	h := hmac.New(sha256.New, key)
	fmt.Fprintf(h, "%s\n%d\n%s", topic, counter, command)
	return h.Sum(nil)
}

// KeyName identifies a key without revealing it. A cart keeps one counter for each key:
// it starts again under a new key, and continues under an old one that comes back.
func KeyName(key []byte) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte("counter"))
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// Signer signs commands. Its counters are the time in milliseconds since 1970, so
// that several senders need to share only the key and roughly the same clock.
type Signer struct {
	key  []byte
	mu   sync.Mutex
	last uint64
}

// NewSigner returns a signer for the shop's key; nil when there is no key.
func NewSigner(key []byte) *Signer {
	if key == nil {
		return nil
	}
	return &Signer{key: key}
}

// Sign returns the message to send on a topic. A nil signer returns the command
// unchanged.
func (s *Signer) Sign(topic string, command []byte) []byte {
	if s == nil {
		return command
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last = max(s.last+1, uint64(time.Now().UnixMilli()))
	text := string(command)
	return Encode(Signed{text, s.last, hex.EncodeToString(CommandMAC(s.key, topic, s.last, text))})
}

// ParseSigned reads a signed command strictly; it does not check the MAC. The error
// names the field.
func ParseSigned(payload []byte) (m Signed, err error) {
	fields, err := jsonObject(payload)
	if err != nil {
		return m, err
	}
	for _, f := range []struct {
		name, wanted string
		into         any
	}{{"signed", "a text", &m.Command}, {"counter", "a whole number above 0", &m.Counter}, {"mac", "a text", &m.MAC}} {
		raw, present := fields[f.name]
		if !present || string(raw) == "null" {
			return m, &fillcalc.Refusal{Field: f.name, Text: fillcalc.Text{Key: "refuse.unsigned", Names: map[string]string{"form": `{"signed":"{\"id\":…}","counter":…,"mac":"…"}`}}}
		}
		if json.Unmarshal(raw, f.into) != nil {
			return m, fmt.Errorf("%s: %.40s is not %s", f.name, raw, f.wanted)
		}
		delete(fields, f.name)
	}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		return m, fmt.Errorf("%.40s: not a field of a signed command, it has signed, counter, mac", name)
	}
	if m.Counter > MaxCounter {
		return m, fmt.Errorf("counter: %d is above %d", m.Counter, uint64(MaxCounter))
	}
	return m, nil
}
