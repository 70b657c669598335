package cart

import (
	"context"
	"crypto/hmac"
	"encoding/hex"
	"fmt"

	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
)

// verifier checks the signatures of a cart's commands.
type verifier struct {
	key     []byte // nil: commands need no signature
	topic   string
	journal *journal.Journal
	counter uint64 // the highest that arrived with a valid MAC
}

// newVerifier continues from the counter in the journal.
func newVerifier(key []byte, topic string, journal *journal.Journal) (v verifier, err error) {
	v = verifier{key: key, topic: topic, journal: journal}
	if key != nil {
		v.counter, err = journal.Counter(wire.KeyName(key))
	}
	return v, err
}

// verify returns the command in a message. stale is not nil when its counter was used
// before: then the command may be answered again, but must not be done. The counter is
// on disk before the command is parsed: a command that is refused now must not be done
// when somebody sends it again, not even after a power cut.
func (v *verifier) verify(ctx context.Context, payload []byte) (command []byte, stale, err error) {
	if v.key == nil {
		return payload, nil, nil
	}
	m, err := wire.ParseSigned(payload)
	if err != nil {
		return nil, nil, err
	}
	mac, err := hex.DecodeString(m.MAC)
	if err != nil || !hmac.Equal(mac, wire.CommandMAC(v.key, v.topic, m.Counter, m.Command)) {
		return nil, nil, refuse("mac", "refuse.mac", nil, map[string]string{"topic": v.topic})
	}
	if m.Counter <= v.counter {
		return []byte(m.Command), refuse("counter", "refuse.counter", nil, map[string]string{"counter": fmt.Sprint(m.Counter), "last": fmt.Sprint(v.counter)}), nil
	}
	if err := v.journal.SetCounter(ctx, wire.KeyName(v.key), m.Counter); err != nil {
		return nil, nil, refuse("counter", "refuse.counter_unsaved", nil, map[string]string{"reason": err.Error()})
	}
	v.counter = m.Counter
	return []byte(m.Command), nil, nil
}
