package points

import (
	"crypto/ed25519"
	"fmt"

	"bayfill/bridge/recordkey"
)

// Fields of a closing record that prove who made it: a public key, and its signature over the
// head of the chain after the record. The chain covers the key.
const (
	KeyField       = "key"
	SignatureField = "signature"
)

// end completes a closing record: the chain goes on over its fields, and the key, if there
// is one, signs where it ends.
func (f *fields) end(seq uint64, head Head, key ed25519.PrivateKey) {
	if key != nil {
		f.text(KeyField, recordkey.Public(key))
	}
	kept, err := ParseFields(string(f.b))
	if err != nil {
		panic("points: a closing record cannot be read back: " + err.Error()) // it was written here
	}
	head = head.LinkPublished(JobMeasurement, seq, kept)
	f.text(ChainField, head.String())
	if key != nil {
		f.text(SignatureField, recordkey.Sign(key, head))
	}
}

// SignedBy returns the public key that signed a closing record; empty when the record bears
// no signature. The error says why the signature does not hold. It says nothing about the
// other fields: that is the chain's part.
func (f Fields) SignedBy() (key string, err error) {
	key, _ = f[KeyField].(string)
	signature, _ := f[SignatureField].(string)
	if key == "" || signature == "" {
		return "", nil
	}
	var head Head
	chain, _ := f[ChainField].(string)
	if err = head.UnmarshalText([]byte(chain)); err == nil {
		err = recordkey.Verify(key, head, signature)
	}
	if err != nil {
		return key, fmt.Errorf("%s: %w", SignatureField, err)
	}
	return key, nil
}
