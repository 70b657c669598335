package attack

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
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
	"bayfill/bridge/broker"
	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
)

var onTLS = []attack{
	{does: "a broker shows a certificate that has expired, is not valid yet, is for another host, or is of a strange authority; or speaks TLS 1.1",
		holds: "the bridge does not connect, and says which it is", try: wrongServers},
	{does: "a client speaks TLS 1.0 or 1.1 to the embedded broker",
		holds: "it is refused", try: oldClients},
	{does: "clients without TLS, or with another authority, at the embedded broker",
		holds: "they are refused, silent connections are closed", by: "bridge.TestEmbeddedBrokerByTLS"},
}

// issue makes a certificate that signs itself, as a small authority does.
func issue(t *testing.T, host string, from, to time.Time) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, NotBefore: from, NotAfter: to,
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature, DNSNames: []string{host}}
	if ip := net.ParseIP(host); ip != nil {
		c.DNSNames, c.IPAddresses = nil, []net.IP{ip}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

func wrongServers(t *testing.T) {
	now, year := time.Now(), 365*24*time.Hour
	right := issue(t, "127.0.0.1", now.Add(-year), now.Add(year))
	for name, c := range map[string]struct {
		certificate tls.Certificate
		trusted     bool
		version     uint16
		says        string
	}{
		"expired":           {issue(t, "127.0.0.1", now.Add(-2*year), now.Add(-year)), true, 0, "its certificate has expired"},
		"not valid yet":     {issue(t, "127.0.0.1", now.Add(year), now.Add(2*year)), true, 0, "or is not valid yet"},
		"another host":      {issue(t, "broker.example", now.Add(-year), now.Add(year)), true, 0, "its certificate is for another name"},
		"strange authority": {right, false, 0, "not signed by an authority that is trusted here"},
		"TLS 1.1":           {right, true, tls.VersionTLS11, "version of TLS"},
	} {
		listener, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{c.certificate}, MinVersion: tls.VersionTLS10, MaxVersion: c.version})
		if err != nil {
			t.Fatal(err)
		}
		go func() { // ends with the listener
			for {
				conn, err := listener.Accept()
				if err != nil {
					return
				}
				conn.(*tls.Conn).Handshake()
				conn.Close()
			}
		}()
		trust := &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: x509.NewCertPool()}
		if c.trusted {
			leaf, err := x509.ParseCertificate(c.certificate.Certificate[0])
			if err != nil {
				t.Fatal(err)
			}
			trust.RootCAs.AddCert(leaf)
		}
		conn, err := mqtt.Dial(t.Context(), mqtt.Endpoint{URLs: []string{"tls://" + listener.Addr().String()}, TLS: trust})
		if err == nil {
			conn.Close()
		}
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
		listener.Close()
	}
}

func oldClients(t *testing.T) {
	certificate := issue(t, "127.0.0.1", time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	dir := t.TempDir()
	key, err := x509.MarshalPKCS8PrivateKey(certificate.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"cert": {Type: "CERTIFICATE", Bytes: certificate.Certificate[0]}, "key": {Type: "PRIVATE KEY", Bytes: key}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c := journaltest.BareConfig(t, dir, bridgetest.EmbeddedUsers).Broker
	c.CertFile, c.KeyFile = filepath.Join(dir, "cert"), filepath.Join(dir, "key")
	b, err := broker.Start(c, bridgetest.Log())
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	trust, err := config.BrokerTLS(c.CertFile)
	if err != nil {
		t.Fatal(err)
	}
	for version, enters := range map[uint16]bool{tls.VersionTLS10: false, tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		asked := trust.Clone()
		asked.MinVersion, asked.MaxVersion = version, version
		conn, err := tls.Dial("tcp", b.Address(), asked)
		if (err == nil) != enters {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
		if err == nil {
			conn.Close()
		}
	}
}
