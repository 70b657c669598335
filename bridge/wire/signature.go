package wire

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"sync"
	"time"
)

// A shop whose broker is not trusted gives its carts a key. Then a command counts
// only in a sealed message: made with the key, for this cart, and later than all
// before it. Whoever carries the messages can hold them back, but can neither
// make nor change one, nor have one done again.

// sealed is a signed command as it is sent.
type Sealed struct {
	Signed  string `json:"signed"`  // the command, as text
	Counter uint64 `json:"counter"` // above all before it on this cart
	MAC     string `json:"mac"`     // 64 hexadecimal digits
}

// mostCounter is what every language's JSON keeps exactly.
const MaxCounter = 1<<53 - 1

// commandMAC is HMAC-SHA256 (RFC 2104, FIPS 180-4) over topic, counter in decimal
// and command, with a line feed between. The topic binds it to one cart.
func CommandMAC(key []byte, topic string, counter uint64, command string) []byte {
	h := hmac.New(sha256.New, key)
	fmt.Fprintf(h, "%s\n%d\n%s", topic, counter, command)
	return h.Sum(nil)
}

// keyName tells keys apart without telling them: a new key begins to count anew,
// and an old one that comes back goes on where it was.
func KeyName(key []byte) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte("counter"))
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// Signer signs commands. Its counters are the time in milliseconds since 1970, so
// that several senders need nothing in common but the key and about the same
// clock.
type Signer struct {
	key  []byte
	mu   sync.Mutex
	last uint64
}

// NewSigner signs with the shop's key; where there is none the signer is nil.
func NewSigner(key []byte) *Signer {
	if key == nil {
		return nil
	}
	return &Signer{key: key}
}

// Sign makes the message to send on a topic. A nil signer leaves the command as it
// is.
func (s *Signer) Sign(topic string, command []byte) []byte {
	if s == nil {
		return command
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last = max(s.last+1, uint64(time.Now().UnixMilli()))
	text := string(command)
	return Encode(Sealed{text, s.last, hex.EncodeToString(CommandMAC(s.key, topic, s.last, text))})
}

// parseSealed reads the message around a command strictly.
func ParseSealed(payload []byte) (m Sealed, err error) {
	var present map[string]json.RawMessage
	if err := json.Unmarshal(payload, &present); err != nil {
		return m, explainJSON(err)
	}
	for _, field := range []string{"signed", "counter", "mac"} {
		if raw, ok := present[field]; !ok || string(raw) == "null" {
			return m, fmt.Errorf(`%s: this cart takes signed commands only, as in {"signed":"{\"id\":…}","counter":…,"mac":"…"}`, field)
		}
		delete(present, field)
	}
	for field := range present {
		return m, fmt.Errorf("%.40s: not a field of a signed command, it has signed, counter, mac", field)
	}
	if err := json.Unmarshal(payload, &m); err != nil {
		return m, explainJSON(err)
	}
	if m.Counter > MaxCounter {
		return m, fmt.Errorf("counter: %d is above %d", m.Counter, uint64(MaxCounter))
	}
	return m, nil
}
