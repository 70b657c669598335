package bridge

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"sync"
	"time"
)

// A shop whose broker is not trusted gives its carts a key. Then a command counts
// only in a sealed message: made with the key, for this cart, and later than all
// before it. Whoever carries the messages can hold them back, but can neither
// make nor change one, nor have one done again.

// sealed is a signed command as it is sent.
type sealed struct {
	Signed  string `json:"signed"`  // the command, as text
	Counter uint64 `json:"counter"` // above all before it on this cart
	MAC     string `json:"mac"`     // 64 hexadecimal digits
}

// mostCounter is what every language's JSON keeps exactly.
const mostCounter = 1<<53 - 1

// commandMAC is HMAC-SHA256 (RFC 2104, FIPS 180-4) over topic, counter in decimal
// and command, with a line feed between. The topic binds it to one cart.
func commandMAC(key []byte, topic string, counter uint64, command string) []byte {
	h := hmac.New(sha256.New, key)
	fmt.Fprintf(h, "%s\n%d\n%s", topic, counter, command)
	return h.Sum(nil)
}

// keyName tells keys apart without telling them: a new key begins to count anew,
// and an old one that comes back goes on where it was.
func keyName(key []byte) string {
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

// NewSigner reads the shop's key; where there is none the signer is nil. The error
// says why the key cannot be used.
func NewSigner(key Secret) (*Signer, error) {
	if key == (Secret{}) {
		return nil, nil
	}
	text, err := key.key()
	if err != nil {
		return nil, err
	}
	return &Signer{key: text}, nil
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
	return encode(sealed{text, s.last, hex.EncodeToString(commandMAC(s.key, topic, s.last, text))})
}

// seal is what a cart asks of commands.
type seal struct {
	key     []byte // nil: commands come as they are
	topic   string
	journal *Journal
	counter uint64 // the highest that came with a right signature
}

// newSeal goes on from the counter in the journal.
func newSeal(key []byte, topic string, journal *Journal) (s seal, err error) {
	s = seal{key: key, topic: topic, journal: journal}
	if key != nil {
		s.counter, err = journal.counter(keyName(key))
	}
	return s, err
}

// open gives the command in a message. stale says that its counter has been used:
// then it may be answered again, and not done. A counter counts as used, also after
// a power cut, before anybody looks at what it came with: what is refused now must
// not be done when it is sent again.
func (s *seal) open(ctx context.Context, payload []byte) (command []byte, stale, err error) {
	if s.key == nil {
		return payload, nil, nil
	}
	m, err := parseSealed(payload)
	if err != nil {
		return nil, nil, err
	}
	mac, err := hex.DecodeString(m.MAC)
	if err != nil || !hmac.Equal(mac, commandMAC(s.key, s.topic, m.Counter, m.Signed)) {
		return nil, nil, fmt.Errorf("mac: it is not the HMAC-SHA256 of this command and counter on %s with this shop's key", s.topic)
	}
	if m.Counter <= s.counter {
		return []byte(m.Signed), fmt.Errorf("counter: %d is not above %d, the last on this cart: sign the command again with a higher one", m.Counter, s.counter), nil
	}
	if err := s.journal.setCounter(ctx, keyName(s.key), m.Counter); err != nil {
		return nil, nil, fmt.Errorf("counter: it could not be kept and nothing was done: %w", err)
	}
	s.counter = m.Counter
	return []byte(m.Signed), nil, nil
}

// parseSealed reads the message around a command strictly.
func parseSealed(payload []byte) (m sealed, err error) {
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
	if m.Counter > mostCounter {
		return m, fmt.Errorf("counter: %d is above %d", m.Counter, uint64(mostCounter))
	}
	return m, nil
}

// counterMark is where a journal keeps the last counter under a key.
const counterMark = "counter "

// counter is the last one that signed commands had with a key; 0: there was none.
func (j *Journal) counter(key string) (n uint64, err error) {
	text, err := j.mark(counterMark + key)
	if err != nil || text == "" {
		return 0, err
	}
	if n, err = strconv.ParseUint(text, 10, 64); err != nil {
		return 0, fmt.Errorf("journal: mark %s: %w", counterMark, err)
	}
	return n, nil
}

// setCounter is on disk when it returns nil.
func (j *Journal) setCounter(ctx context.Context, key string, n uint64) error {
	tx, err := j.db.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	defer tx.Rollback()
	if err := setMark(tx, counterMark+key, strconv.FormatUint(n, 10)); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	return nil
}

// commandKey reads the key for signed commands; nil: they are not asked for.
func (c *Config) commandKey() ([]byte, error) {
	if c.Commands.Key == (Secret{}) {
		return nil, nil
	}
	key, err := c.Commands.Key.key()
	if err != nil {
		return nil, fmt.Errorf("commands.key: %w", err)
	}
	return key, nil
}
