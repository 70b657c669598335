package bridge

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
)

// The bridge connects to an external broker by each kind of address, but not to a TLS broker
// whose authority is not the configured one.
func TestBrokerByTLSAndWebsocket(t *testing.T) {
	dir := t.TempDir()
	caFile := certificate(t, dir, "server")
	strangeCA := certificate(t, dir, "stranger")
	tlsAddress, wsAddress := bridgetest.FreePort(t), bridgetest.FreePort(t)
	_, tlsPort, _ := net.SplitHostPort(tlsAddress)
	_, wsPort, _ := net.SplitHostPort(wsAddress)
	broker := bridgetest.StartMosquitto(t,
		"listener "+tlsPort+" 127.0.0.1", "certfile "+filepath.Join(dir, "server.crt"), "keyfile "+filepath.Join(dir, "server.key"),
		"listener "+wsPort+" 127.0.0.1", "protocol websockets")
	rig := bridgetest.NewRig(t, 1)
	s := bridgetest.Subscribe(t, broker.URL, "", "", "bayfill/#")
	for name, c := range map[string]struct {
		url, ca string
		enters  bool
	}{
		"tls":             {"tls://" + tlsAddress, caFile, true},
		"ws":              {"ws://" + wsAddress, "", true},
		"wrong authority": {"tls://" + tlsAddress, strangeCA, false},
	} {
		t.Run(name, func(t *testing.T) {
			config := testConfig(t, rig, t.TempDir(), c.url, "")
			config.Broker.CAFile = c.ca
			before := len(s.All())
			b, stop := runBridge(t, config, 1)
			online := func() bool {
				for _, m := range s.All()[before:] {
					if strings.HasSuffix(m.Topic, "/presence") && strings.Contains(string(m.Payload), `"online":true`) {
						return true
					}
				}
				return false
			}
			if c.enters {
				bridgetest.Eventually(t, 10*time.Second, "presence", online)
				stop()
				return
			}
			bridgetest.Eventually(t, 10*time.Second, "the alert", func() bool {
				return strings.Contains(b.carts[0].Leaves()[wire.AlertsLeaf], "certificate")
			})
			stop()
			if online() {
				t.Error("the bridge talked to a broker that it must not trust")
			}
		})
	}
}

// A broker that asks for a client certificate accepts the bridge with its certificate and not
// without. The errors name the setting and the file.
func TestBrokerAsksForACertificate(t *testing.T) {
	dir := t.TempDir()
	caFile := certificate(t, dir, "server")
	clientCA := certificate(t, dir, "bridge") // vouches for itself
	certificate(t, dir, "stranger")
	address := bridgetest.FreePort(t)
	_, port, _ := net.SplitHostPort(address)
	broker := bridgetest.StartMosquitto(t, "listener "+port+" 127.0.0.1", "certfile "+filepath.Join(dir, "server.crt"), "keyfile "+filepath.Join(dir, "server.key"),
		"require_certificate true", "cafile "+clientCA)
	for _, c := range []struct {
		cert   string
		enters bool
	}{{"bridge", true}, {"stranger", false}, {"", false}} {
		t.Run("certificate "+c.cert, func(t *testing.T) {
			config := journaltest.BareConfig(t, t.TempDir(), `{url: "tls://`+address+`"}`)
			config.Broker.CAFile = caFile
			if c.cert != "" {
				config.Broker.CertFile, config.Broker.KeyFile = filepath.Join(dir, c.cert+".crt"), filepath.Join(dir, c.cert+".key")
			}
			s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"presence")
			b, stop := runBridgeWith(t, config, Options{Open: bridgetest.Mute}, nil)
			if c.enters {
				bridgetest.Online(t, s, "")
				stop()
				s.Publish(bridgetest.Topics+"presence", true, "") // for the next
				s.Invented = true
				return
			}
			bridgetest.Eventually(t, 10*time.Second, "the alert", func() bool {
				return strings.Contains(b.carts[0].Leaves()[wire.AlertsLeaf], `"broker"`)
			})
			stop()
			if p := bridgetest.Read[wire.Presence](s, wire.PresenceLeaf); p.Online {
				t.Error("the bridge was let in")
			}
		})
	}
	for _, c := range []struct{ cert, key, want string }{
		{"none.crt", "bridge.key", "broker.cert_file: " + filepath.Join(dir, "none.crt") + " with the key "},
		{"bridge.crt", "stranger.key", "private key does not match public key"},
		{"bridge.key", "bridge.key", "broker.cert_file: "},
	} {
		config := journaltest.BareConfig(t, t.TempDir(), `{url: "tls://`+address+`"}`)
		config.Broker.CertFile, config.Broker.KeyFile = filepath.Join(dir, c.cert), filepath.Join(dir, c.key)
		if err := config.CheckSecrets(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s with %s: %v", c.cert, c.key, err)
		}
	}
	if _, err := config.Parse([]byte(bridgetest.SmallConfig + "broker: {url: \"tls://a:1\", cert_file: x}\n")); err == nil || !strings.Contains(err.Error(), "broker.cert_file: belongs together with key_file") {
		t.Errorf("a certificate without its key: %v", err)
	}
}

// certificate writes a self-signed certificate for the loopback address and its key. It returns
// the certificate's file, which is also its authority.
func certificate(t *testing.T, dir, name string) (file string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(dir, name+".crt")
	for path, block := range map[string]*pem.Block{
		file:                            {Type: "CERTIFICATE", Bytes: der},
		filepath.Join(dir, name+".key"): {Type: "EC PRIVATE KEY", Bytes: keyDER},
	} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return file
}
