package mqtt

import (
	"cmp"
	"crypto/tls"
	"strings"
	"time"

	"bayfill/bridge/words"
)

// Endpoint says where and how to connect. The zero value of a duration stands for its
// default.
type Endpoint struct {
	// URLs are one or more of tcp://host:1883, tls://host:8883, ws://host:80/mqtt and
	// wss://host:443/mqtt: the nodes of one broker. Keep tries them in turn.
	URLs     []string
	ClientID string // a broker ends the older one of two connections with the same id
	Username string
	Password string
	TLS      *tls.Config // nil: trust the authorities that this computer trusts
	// Will makes the message that the broker publishes if a connection ends without
	// Close. It is called before each connection; nil: no will.
	Will func() Message

	// KeepAlive is how long a connection may be quiet before a ping: whole seconds,
	// default 10 s.
	KeepAlive time.Duration
	// Timeout limits a connection attempt, a write and the answer to a ping: default 5 s.
	Timeout time.Duration
	// AckTimeout limits the wait for the acknowledgement of a message or a
	// subscription: default twice Timeout.
	AckTimeout time.Duration
	// MaxRetry limits the pause that Keep makes between two connections to one address,
	// which starts at 1 s and doubles after each: default 5 s, at most 2 s where there
	// are several.
	MaxRetry time.Duration
}

func (e Endpoint) withDefaults() Endpoint {
	e.KeepAlive = max(cmp.Or(e.KeepAlive, 10*time.Second), time.Second)
	e.Timeout = cmp.Or(e.Timeout, 5*time.Second)
	e.AckTimeout = cmp.Or(e.AckTimeout, 2*e.Timeout)
	e.MaxRetry = cmp.Or(e.MaxRetry, 5*time.Second)
	return e
}

// CheckAddress refuses a server's address that may hold a secret, since errors and
// logs show addresses. The error does not show it.
func CheckAddress(address string) error {
	if strings.Contains(address, "@") {
		return words.NewError("reach.secret")
	}
	if strings.ContainsAny(address, "?#") {
		return words.NewError("reach.query")
	}
	return nil
}
