package wire

import (
	"encoding/hex"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"bayfill/bridge/wire/schema"
)

// TestSignatureOfTheContractsExample compares the MAC with the one in the published
// example, which was computed by OpenSSL 3.0: openssl dgst -sha256 -hmac 0123456789abcdef0123456789abcdef
func TestSignatureOfTheContractsExample(t *testing.T) {
	text, err := schema.File("asyncapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Components struct {
			Messages struct {
				Commands struct {
					Examples []struct {
						Name    string
						Payload Signed
					}
				}
			}
		}
	}
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	for _, e := range doc.Components.Messages.Commands.Examples {
		if e.Name != "signed" {
			continue
		}
		mac := CommandMAC([]byte("0123456789abcdef0123456789abcdef"), "bayfill/hilltop/bay2/commands", e.Payload.Counter, e.Payload.Command)
		if e.Payload.MAC != hex.EncodeToString(mac) {
			t.Errorf("the example has %s, it would be %x", e.Payload.MAC, mac)
		}
		return
	}
	t.Error("there is no signed example")
}

// TestSigner checks that counters rise even within a millisecond, and that commands
// stay unchanged without a key.
func TestSigner(t *testing.T) {
	var none *Signer
	if m := string(none.Sign("x", []byte(`{"id":"1"}`))); m != `{"id":"1"}` {
		t.Errorf("no signer makes %s", m)
	}
	if s := NewSigner(nil); s != nil {
		t.Errorf("no key: %v", s)
	}
	s := NewSigner([]byte("a key of this test, long enough"))
	last := uint64(time.Now().UnixMilli()) - 1
	for range 1000 {
		m, err := ParseSigned(s.Sign("x", []byte("{}")))
		if err != nil || m.Counter <= last || m.Counter > MaxCounter {
			t.Fatalf("counter %d after %d: %v", m.Counter, last, err)
		}
		last = m.Counter
	}
}
