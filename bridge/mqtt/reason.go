package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"syscall"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// reasonError is a failed connection in plain words. It wraps what the library said.
type reasonError struct {
	text string
	err  error
}

func (e *reasonError) Error() string { return e.text }
func (e *reasonError) Unwrap() error { return e.err }

// explained says in plain words why there is no connection to a broker, and what to look
// at. An error that it does not know stays as it is.
func explained(err error) error {
	var name *net.DNSError
	var authority x509.UnknownAuthorityError
	var host x509.HostnameError
	var invalid x509.CertificateInvalidError
	var op *net.OpError
	var record tls.RecordHeaderError
	text := ""
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		text = "nothing listens there: is the broker running (without one of your own, it is a part of bayfill run), and are address and port right?"
	case errors.As(err, &name):
		text = fmt.Sprintf("no computer of the name %s is known: is the address right?", name.Name)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		text = "there is no way to that computer: is it switched on, and in this network?"
	case errors.As(err, &authority):
		text = "its certificate is not signed by an authority that is trusted here: give that authority's certificate (ca_file)"
	case errors.As(err, &host):
		text = "its certificate is for another name: use the name in the certificate, or give the broker one for this name"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		text = "its certificate has expired or is not valid yet: renew it, and compare the clocks"
	case errors.As(err, &record):
		text = "it does not speak TLS there: use tcp:// or the port for TLS"
	case errors.As(err, &op) && op.Op == "remote error": // a TLS alert
		text = "it refuses the TLS connection: does it want a client certificate, or another version of TLS?"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		text = "it refuses the client id: another user has connected with it"
	case errors.Is(err, packets.ErrorRefusedServerUnavailable):
		text = "it takes no more connections of this user or from this address now"
	case LoginRefused(err):
		text = "it does not accept the user name and the password"
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET):
		text = "it ends the connection at once: does it want TLS (ssl://), or is it no MQTT broker?"
	case errors.Is(err, os.ErrDeadlineExceeded), isTimeout(err):
		text = "it does not answer: is the address right, and does a firewall let the port through?"
	default:
		return err
	}
	return &reasonError{text, err}
}

func isTimeout(err error) bool {
	var timeout net.Error
	return errors.As(err, &timeout) && timeout.Timeout() || strings.Contains(err.Error(), "i/o timeout")
}
