package config

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"

	"bayfill/bridge/words"
)

// BrokerTLS returns the TLS settings for a broker. They trust only the certificate
// authority in the file; without a file, those that this computer trusts. The error says
// which file cannot be used and why.
func BrokerTLS(caFile string) (*tls.Config, error) {
	if caFile == "" {
		return &tls.Config{MinVersion: tls.VersionTLS12}, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, words.NewError("config.no_certificate", "path", caFile)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}, nil
}

// Certificate reads the certificate of a client, for brokers that ask for one, or of the
// embedded broker. The error says which files cannot be used and why.
func Certificate(certFile, keyFile string) (tls.Certificate, error) {
	certificate, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		err = words.NewError("config.certificate", "path", certFile, "key", keyFile, "why", err)
	}
	return certificate, err
}

// TLS returns the TLS settings for the configured broker. The error names the field.
func (b *Broker) TLS() (*tls.Config, error) {
	t, err := BrokerTLS(b.CAFile)
	if err != nil {
		return nil, fmt.Errorf("broker.ca_file: %w", err)
	}
	if b.CertFile != "" {
		certificate, err := Certificate(b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("broker.cert_file: %w", err)
		}
		t.Certificates = []tls.Certificate{certificate}
	}
	return t, nil
}

// OnlyCertificate returns the TLS settings for connecting to the embedded broker from the
// same process. They trust the broker's own certificate and no other, regardless of the
// address and the dates in it.
func OnlyCertificate(own *tls.Certificate) *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12, InsecureSkipVerify: true,
		VerifyConnection: func(s tls.ConnectionState) error {
			if !bytes.Equal(s.PeerCertificates[0].Raw, own.Certificate[0]) {
				return words.NewError("config.other_certificate")
			}
			return nil
		},
	}
}
