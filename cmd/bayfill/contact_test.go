package main

import (
	"bayfill/bridge/bridgetest"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// startSecured runs a broker that lets everybody in, over TLS, and gives the file
// with the certificate that it is to be known by; its key lies beside it.
func startSecured(t *testing.T) (url, caFile string) { return startAsking(t, tls.NoClientCert) }

// selfSigned is a certificate for this machine that vouches for itself, authority
// and server in one, and the file it lies in; its key lies beside it.
func selfSigned(t *testing.T) (c tls.Certificate, file string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	certificate := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, certificate, certificate, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file+".key", pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: keyDER}), 0o600); err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, file
}

// startAsking is one that asks who comes, so strictly.
func startAsking(t *testing.T, asks tls.ClientAuthType) (url, caFile string) {
	t.Helper()
	own, caFile := selfSigned(t)
	address, _ := bridgetest.StartBroker(t, "127.0.0.1:0", new(bridgetest.Everybody), &tls.Config{ClientAuth: asks, Certificates: []tls.Certificate{own}})
	return "ssl://" + address, caFile
}

// A broker whose certificate no public authority has signed is trusted by the file
// that names its own, and by that only.
func TestPrivateAuthority(t *testing.T) {
	url, caFile := startSecured(t)
	setContact(t, url, "", "")
	const untrusted = "not signed by an authority"

	if status, _, errors := program(t.Context(), "job", "close", "--wait", "3s"); status != exitNoAnswer || !strings.Contains(errors, untrusted) {
		t.Errorf("job without the file: status %d: %s", status, errors)
	}
	if status, _, errors := program(t.Context(), "job", "close", "--wait", "3s", "--ca-file", caFile); status != exitNoAnswer || !strings.Contains(errors, "has nothing about cart") {
		t.Errorf("job with the file: status %d: %s", status, errors)
	}
	// runs lets a command run until it says something.
	runs := func(says string, args ...string) {
		t.Helper()
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		var out bridgetest.Output
		ended := make(chan int, 1)
		go func() { ended <- run(ctx, args, strings.NewReader(""), &out, &out) }()
		said := out.String
		if args[0] == "board" {
			said = func() string {
				_, url, _ := strings.Cut(out.String(), "Board at ")
				return get(strings.TrimSpace(url) + "cart/bay2")
			}
		}
		bridgetest.Eventually(t, 10*time.Second, strings.Join(args, " ")+" to say "+says, func() bool { return strings.Contains(said(), says) })
		stop()
		<-ended
	}
	runs(untrusted, "watch")
	runs("NO CART", "watch", "--ca-file", caFile)
	runs(untrusted, "board", "--listen", "127.0.0.1:0")
	t.Setenv("BAYFILL_CA_FILE", caFile)
	runs("NOT HEARD", "board", "--listen", "127.0.0.1:0")

	for _, command := range [][]string{{"job", "close"}, {"watch"}, {"board"}} {
		status, _, errors := program(t.Context(), append(command, "--ca-file", caFile+".none")...)
		if status != exitConfig || !strings.Contains(errors, "--ca-file: "+caFile+".none") {
			t.Errorf("%s with a file that is not there: status %d: %s", command[0], status, errors)
		}
	}
}

// A broker that asks who comes is shown the certificate.
func TestClientCertificate(t *testing.T) {
	url, caFile := startAsking(t, tls.RequireAnyClientCert)
	setContact(t, url, "", "")
	t.Setenv("BAYFILL_CA_FILE", caFile)
	for _, c := range []struct {
		says string
		args []string
	}{
		{"nothing was sent", nil},
		{"has nothing about cart", []string{"--cert-file", caFile, "--key-file", caFile + ".key"}},
		{"--cert-file: belongs together with --key-file", []string{"--cert-file", caFile}},
		{"--cert-file: belongs together with --key-file", []string{"--key-file", caFile + ".key"}},
		{"--cert-file: " + caFile + " with the key " + caFile + ": ", []string{"--cert-file", caFile, "--key-file", caFile}},
	} {
		if status, _, errors := program(t.Context(), append([]string{"job", "close", "--wait", "2s"}, c.args...)...); status == 0 || !strings.Contains(errors, c.says) {
			t.Errorf("%v: status %d: %s", c.args, status, errors)
		}
	}
	t.Setenv("BAYFILL_CERT_FILE", caFile)
	t.Setenv("BAYFILL_KEY_FILE", caFile+".key")
	if _, _, errors := program(t.Context(), "job", "close", "--wait", "2s"); !strings.Contains(errors, "has nothing about cart") {
		t.Errorf("by the environment: %s", errors)
	}
	if status, _, errors := program(t.Context(), "board", "--cert-file", "", "--listen", "127.0.0.1:0"); status != exitConfig || !strings.Contains(errors, "--cert-file: belongs") {
		t.Errorf("board: status %d: %s", status, errors)
	}
}
