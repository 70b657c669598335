package mqtt

import (
	"context"
	"errors"
	"net"
	"net/url"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"bayfill/bridge/words"
)

// Message is an MQTT message, sent or received.
type Message struct {
	Topic   string
	Payload []byte
	QoS     byte // 0 or 1
	// Retained: sent, the broker is to keep the message for later subscribers;
	// received, the broker had kept it.
	Retained bool
}

// Filter is what to subscribe to: a topic, which may hold wildcards, and the highest
// quality of service of its messages.
type Filter struct {
	Topic string
	QoS   byte
}

// RefusedError is that the broker refused a subscription.
type RefusedError struct{ Topic string }

func (e *RefusedError) Error() string { return e.Unwrap().Error() }

// Unwrap returns what it says to people.
func (e *RefusedError) Unwrap() error { return words.NewError("reach.may_not_read", "topic", e.Topic) }

// ErrNoAnswer is that the broker has not acknowledged something within the limit. It
// may have received it all the same.
var ErrNoAnswer = error(words.NewError("reach.silent"))

// LoginRefused reports whether a broker answered and did not accept the user.
func LoginRefused(err error) bool {
	return errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword) || errors.Is(err, packets.ErrorRefusedNotAuthorised)
}

// Conn is one connection to a broker. Its methods may be called from any goroutine,
// except from a receive function, which must not wait.
type Conn struct {
	url        string
	client     paho.Client
	stream     *stream // under the client
	ackTimeout time.Duration
	lost       chan struct{}
	reason     error // set before lost is closed
}

// Dial makes one connection to the first address of e, which the caller must close. It
// waits until the broker has accepted the connection, ctx ends or e.Timeout has passed.
func Dial(ctx context.Context, e Endpoint) (*Conn, error) {
	e = e.withDefaults()
	return dial(ctx, e, place{url: e.URLs[0]}, e.Timeout)
}

// dial makes one connection to a place.
func dial(ctx context.Context, e Endpoint, p place, within time.Duration) (*Conn, error) {
	c := &Conn{url: p.String(), ackTimeout: e.AckTimeout, lost: make(chan struct{})}
	o := paho.NewClientOptions().AddBroker(p.url).SetClientID(e.ClientID)
	o.SetUsername(e.Username).SetPassword(e.Password).SetTLSConfig(e.TLS)
	o.SetProtocolVersion(4).SetCleanSession(true).SetOrderMatters(true)
	o.SetAutoReconnect(false).SetConnectRetry(false)
	o.SetKeepAlive(e.KeepAlive).SetPingTimeout(e.Timeout).SetWriteTimeout(e.Timeout).SetConnectTimeout(within)
	if p.ip.IsValid() {
		o.SetDialer(&net.Dialer{Timeout: within, ControlContext: p.only})
	}
	o.SetCustomOpenConnectionFn(func(to *url.URL, o paho.ClientOptions) (_ net.Conn, err error) {
		if c.stream, err = open(to, &o); err != nil {
			return nil, err
		}
		return c.stream, nil
	})
	if e.Will != nil {
		will := e.Will()
		o.SetBinaryWill(will.Topic, will.Payload, will.QoS, will.Retained)
	}
	// The library calls it at most once, as it does not reconnect.
	o.SetConnectionLostHandler(func(_ paho.Client, err error) {
		c.reason = err
		close(c.lost)
	})
	c.client = paho.NewClient(o)
	// The library itself gives up after within, with a better reason.
	if err := c.wait(ctx, c.client.Connect(), 2*within); err != nil {
		c.client.Disconnect(0) // an attempt that goes on must not succeed later
		return nil, explained(plain(err))
	}
	return c, nil
}

// plain takes off what the library puts before each network error.
func plain(err error) error {
	joined, ok := err.(interface{ Unwrap() []error })
	if ok && errors.Is(err, packets.ErrorNetworkError) {
		errs := joined.Unwrap()
		return errs[len(errs)-1]
	}
	return err
}

// Subscribe subscribes to filters and waits for the broker's acknowledgement. The
// library calls receive for each message, one after the other; receive must not wait.
//
// The error is a *RefusedError for the first filter that the broker refused. The
// others are subscribed to then, and the connection is still good.
func (c *Conn) Subscribe(ctx context.Context, receive func(Message), filters ...Filter) error {
	wanted := map[string]byte{}
	for _, f := range filters {
		wanted[f.Topic] = f.QoS
	}
	token := c.client.SubscribeMultiple(wanted, func(_ paho.Client, m paho.Message) {
		receive(Message{m.Topic(), m.Payload(), m.Qos(), m.Retained()})
	})
	if err := c.wait(ctx, token, c.ackTimeout); err != nil {
		return words.NewError("reach.subscribing", "why", err)
	}
	granted := token.(*paho.SubscribeToken).Result()
	for _, f := range filters {
		const maxQoS = 2 // greater: refused (MQTT 3.1.1, 3.9.3)
		if granted[f.Topic] > maxQoS {
			return &RefusedError{f.Topic}
		}
	}
	return nil
}

// Unsubscribe ends subscriptions and waits for the broker's acknowledgement.
func (c *Conn) Unsubscribe(ctx context.Context, filters ...Filter) error {
	var topics []string
	for _, f := range filters {
		topics = append(topics, f.Topic)
	}
	if err := c.wait(ctx, c.client.Unsubscribe(topics...), c.ackTimeout); err != nil {
		return words.NewError("reach.unsubscribing", "why", err)
	}
	return nil
}

// Publish sends a message and waits until the broker has acknowledged it. A broker
// also acknowledges what it drops for lack of a right. A message with QoS 0 is never
// acknowledged: Publish returns when it is written.
//
// The message is sent even if ctx has ended; on a connection that takes no bytes that may
// take up to Timeout.
func (c *Conn) Publish(ctx context.Context, m Message) error {
	if m.QoS == 0 {
		return c.stream.publish(m)
	}
	token := c.client.Publish(m.Topic, m.QoS, m.Retained, m.Payload)
	return c.wait(ctx, token, c.ackTimeout)
}

// Try sends a message with QoS 0 if that is possible without waiting, and reports whether it
// did. TLS always may have to wait.
func (c *Conn) Try(m Message) bool { return c.stream.try(&m) }

// Ping waits for a sign of life from the broker, at most for limit. The library's own
// pings follow the keep-alive; one as short as limit would make the broker end the
// connection of a client that was busy for a second. So Ping ends a subscription that
// does not exist: a broker must answer that, needs no right for it and changes nothing
// (MQTT 3.1.1, 3.10.4).
func (c *Conn) Ping(ctx context.Context, limit time.Duration) error {
	return c.wait(ctx, c.client.Unsubscribe("bayfill/ping"), limit)
}

// URL is where the connection leads to.
func (c *Conn) URL() string { return c.url }

// Lost is closed when the connection is lost, but not by Close.
func (c *Conn) Lost() <-chan struct{} { return c.lost }

// Err is why the connection is lost; nil while it is not.
func (c *Conn) Err() error {
	select {
	case <-c.lost:
		return c.reason
	default:
		return nil
	}
}

// Close ends the connection in order, so that the broker does not publish the will,
// and waits up to 100 ms for the library to end its work. A lost connection must be
// closed too; it may be closed again.
func (c *Conn) Close() {
	const limitMs = 100
	c.client.Disconnect(limitMs)
}

// wait waits for a token, which may never end by itself.
func (c *Conn) wait(ctx context.Context, token paho.Token, limit time.Duration) error {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-c.lost:
		return c.reason
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return ErrNoAnswer
	}
}
