package cart

import (
	"context"
	"crypto/hmac"
	"encoding/hex"
	"fmt"

	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
)

// seal is what a cart asks of commands.
type seal struct {
	key     []byte // nil: commands come as they are
	topic   string
	journal *journal.Journal
	counter uint64 // the highest that came with a right signature
}

// newSeal goes on from the counter in the journal.
func newSeal(key []byte, topic string, journal *journal.Journal) (s seal, err error) {
	s = seal{key: key, topic: topic, journal: journal}
	if key != nil {
		s.counter, err = journal.Counter(wire.KeyName(key))
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
	m, err := wire.ParseSealed(payload)
	if err != nil {
		return nil, nil, err
	}
	mac, err := hex.DecodeString(m.MAC)
	if err != nil || !hmac.Equal(mac, wire.CommandMAC(s.key, s.topic, m.Counter, m.Signed)) {
		return nil, nil, fmt.Errorf("mac: it is not the HMAC-SHA256 of this command and counter on %s with this shop's key", s.topic)
	}
	if m.Counter <= s.counter {
		return []byte(m.Signed), fmt.Errorf("counter: %d is not above %d, the last on this cart: sign the command again with a higher one", m.Counter, s.counter), nil
	}
	if err := s.journal.SetCounter(ctx, wire.KeyName(s.key), m.Counter); err != nil {
		return nil, nil, fmt.Errorf("counter: it could not be kept and nothing was done: %w", err)
	}
	s.counter = m.Counter
	return []byte(m.Signed), nil, nil
}
