// Package recordkey signs closing records, and holds signatures against public keys: Ed25519
// (RFC 8032), all texts in hexadecimal digits. It holds no state and starts no goroutines.
package recordkey

import (
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"

	"bayfill/bridge/words"
)

// signed is what a signature covers: the head of a chain, marked as that of a closing record.
func signed(head [32]byte) []byte { return append([]byte("bayfill closing record\n"), head[:]...) }

// Sign signs the head of the chain after a closing record.
func Sign(key ed25519.PrivateKey, head [32]byte) (signature string) {
	return hex.EncodeToString(ed25519.Sign(key, signed(head)))
}

// Verify returns nil when a key made the signature of a head.
func Verify(public string, head [32]byte, signature string) error {
	key, err := Parse(public)
	if err != nil {
		return err
	}
	if bytes, err := hex.DecodeString(signature); err != nil || !ed25519.Verify(key, signed(head), bytes) {
		return errors.New("the key did not sign this record")
	}
	return nil
}

// Public returns the public key of a private one.
func Public(key ed25519.PrivateKey) string {
	return hex.EncodeToString(key.Public().(ed25519.PublicKey))
}

// Parse reads a public key.
func Parse(text string) (ed25519.PublicKey, error) {
	key, err := hex.DecodeString(text)
	if err != nil || len(key) != ed25519.PublicKeySize {
		return nil, words.NewError("record.public_key", "typed", fmt.Sprintf("%.80s", text), "digits", 2*ed25519.PublicKeySize)
	}
	return key, nil
}
