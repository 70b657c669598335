package words

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"io/fs"
	"net"
	"net/url"
	"os"
	"syscall"

	"bayfill/fillcalc"
)

// system says what the operating system, the network or TLS reports, and what to do about it.
// known is false for what it does not know.
func (r Reader) system(err error) (text string, known bool) {
	switch e := err.(type) {
	case *fs.PathError:
		return at(e.Path, r.Fault(e.Err)), true
	case *os.LinkError:
		return at(e.New, r.Fault(e.Err)), true
	case *os.SyscallError:
		return r.Fault(e.Err), true
	case *url.Error: // where it is stands in what it wraps, or before it
		return r.Fault(e.Err), true
	case *net.OpError:
		if e.Op == "remote error" { // a TLS alert
			return r.Word("system.alert"), true
		}
		if e.Addr == nil {
			return r.Fault(e.Err), true
		}
		return at(e.Addr.String(), r.Fault(e.Err)), true
	case *net.DNSError:
		return r.Say(fillcalc.Text{Key: "system.no_host", Names: map[string]string{"host": e.Name}}), true
	case *tls.CertificateVerificationError:
		return r.Fault(e.Err), true
	}
	key := systemKey(err)
	return r.Word(key), key != ""
}

func at(place, text string) string {
	if place == "" {
		return text
	}
	return place + ": " + text
}

// systemErrors are the errors that are a value, with the keys of their sentences.
var systemErrors = []struct {
	err error
	key string
}{
	{fs.ErrNotExist, "system.no_file"}, {syscall.ENOENT, "system.no_file"},
	{fs.ErrPermission, "system.denied"}, {syscall.EACCES, "system.denied"}, {syscall.EPERM, "system.denied"},
	{fs.ErrExist, "system.exists"}, {syscall.EEXIST, "system.exists"},
	{syscall.ENOSPC, "system.disk_full"}, {syscall.EDQUOT, "system.disk_full"},
	{syscall.EROFS, "system.read_only"}, {syscall.EIO, "system.failing"},
	{syscall.EISDIR, "system.is_folder"}, {syscall.ENOTDIR, "system.no_folder"},
	{syscall.EMFILE, "system.open_files"}, {syscall.ENFILE, "system.open_files"},
	{syscall.EBUSY, "system.busy"}, {syscall.ENODEV, "system.unplugged"}, {syscall.ENXIO, "system.unplugged"},
	{syscall.EADDRINUSE, "system.address_used"}, {syscall.EADDRNOTAVAIL, "system.address_elsewhere"},
	{syscall.ECONNREFUSED, "system.refused"}, {syscall.ECONNRESET, "system.ended"}, {syscall.EPIPE, "system.ended"},
	{io.ErrUnexpectedEOF, "system.ended"}, {syscall.EHOSTUNREACH, "system.no_way"}, {syscall.ENETUNREACH, "system.no_way"},
	{context.Canceled, "system.stopped"},
}

// systemKey returns the key of an error that wraps nothing; empty if there is none.
func systemKey(err error) string {
	for _, known := range systemErrors {
		if err == known.err {
			return known.key
		}
	}
	switch e := err.(type) {
	case x509.UnknownAuthorityError:
		return "system.authority"
	case x509.HostnameError:
		return "system.other_host"
	case x509.CertificateInvalidError:
		if e.Reason == x509.Expired {
			return "system.expired"
		}
	case tls.RecordHeaderError:
		return "system.no_tls"
	}
	var slow net.Error
	if errors.As(err, &slow) && slow.Timeout() && errors.Unwrap(err) == nil {
		return "system.no_answer"
	}
	return ""
}
