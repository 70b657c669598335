package doctor

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/json"
	"errors"
	"sync"
	"time"

	"bayfill/bridge/build"
	"bayfill/bridge/config"
	"bayfill/bridge/door"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// certificateSoon is how long before a certificate expires the doctor mentions it.
const certificateSoon = 30 * 24 * time.Hour

// broker checks the MQTT broker: the connection, its certificate, and the rights of the
// bridge's user.
func (d *doctor) broker(ctx context.Context, c *config.Config, running map[string]held) {
	if len(c.Broker.External()) == 0 {
		d.ownBroker(ctx, c, running)
		return
	}
	password, err := c.Broker.Password.Read()
	if err != nil {
		return // reported with the secrets
	}
	secure, err := c.Broker.TLS()
	if err != nil {
		return // reported with the secrets
	}
	var until time.Time
	secure.VerifyConnection = func(s tls.ConnectionState) error {
		until = s.PeerCertificates[0].NotAfter
		return nil
	}
	var first *mqtt.Conn
	for _, url := range c.Broker.External() {
		conn, err := connect(ctx, url, c.Broker.Username, password, secure)
		if err != nil {
			d.wrong("doctor.broker_bad", "url", url, "why", err, "user", c.Broker.Username)
			continue
		}
		defer conn.Close()
		d.ok("doctor.broker_good", "url", url, "user", c.Broker.Username)
		d.certificate(until)
		if first == nil {
			first = conn
		}
	}
	if first == nil {
		return
	}
	for i := range c.Carts {
		name := c.Carts[i].Name
		d.rights(ctx, first, "bayfill/"+c.Shop+"/"+name+"/presence", running[name])
	}
	d.wildcard(ctx, first, c)
}

// wildcard checks that a subscription with a wildcard gets what the broker has kept: a
// board needs that, and some brokers do not do it. It publishes on a topic of its own,
// of a cart that cannot be, and deletes that again.
func (d *doctor) wildcard(ctx context.Context, conn *mqtt.Conn, c *config.Config) {
	topic := "bayfill/" + c.Shop + "/DOCTOR/presence"
	payload := wire.Encode(wire.Presence{Session: "doctor-" + rand.Text(), Version: build.Version, Contract: wire.ContractVersion, Why: "bayfill doctor checks its broker"})
	kept := mqtt.Message{Topic: topic, Payload: payload, QoS: 1, Retained: true}
	if conn.Publish(ctx, kept) != nil {
		return // reported with the rights
	}
	switch {
	case !comes(ctx, conn, topic, payload): // as for the bridge's user of testdata/mosquitto/acl
		d.look("doctor.memory_untried")
	case comes(ctx, conn, "bayfill/"+c.Shop+"/+/presence", payload):
		d.ok("doctor.memory_good")
	default:
		d.wrong("doctor.memory_none")
	}
	kept.Payload = nil
	conn.Publish(ctx, kept)
}

// comes reports whether a new subscription gets a message that the broker has kept.
func comes(ctx context.Context, conn *mqtt.Conn, filter string, payload []byte) bool {
	came := make(chan struct{}, 1)
	f := mqtt.Filter{Topic: filter, QoS: 1}
	err := conn.Subscribe(ctx, func(m mqtt.Message) {
		if m.Retained && bytes.Equal(m.Payload, payload) {
			select {
			case came <- struct{}{}:
			default: // it may arrive twice
			}
		}
	}, f)
	if err != nil {
		return false
	}
	defer conn.Unsubscribe(ctx, f)
	select {
	case <-came:
		return true
	case <-ctx.Done():
	case <-time.After(time.Second):
	}
	return false
}

// certificate checks until when the broker's certificate is valid; zero: it has none.
func (d *doctor) certificate(until time.Time) {
	day := until.UTC().Format(time.DateOnly)
	switch {
	case until.IsZero():
	case until.Sub(d.now) < certificateSoon:
		d.look("doctor.certificate_soon", "day", day)
	default:
		d.ok("doctor.certificate_good", "day", day)
	}
}

// rights publishes a presence that is not retained and says, truly, that the cart is
// offline, and waits until it comes back: some brokers silently drop what they do not
// allow. While a bridge is online the message would be untrue, and that bridge checks
// its rights itself.
func (d *doctor) rights(ctx context.Context, conn *mqtt.Conn, topic string, bridgeHas held) {
	if bridgeHas != free {
		d.ok("doctor.rights_bridge", "topic", topic)
		return
	}
	heard := presences{session: "doctor-" + rand.Text(), back: make(chan struct{}, 1)}
	var refused *mqtt.RefusedError // then nothing comes back, as below
	if err := conn.Subscribe(ctx, heard.receive, mqtt.Filter{Topic: topic, QoS: 1}); err != nil && !errors.As(err, &refused) {
		d.wrong("doctor.rights_bad", "topic", topic, "why", err)
		return
	}
	// A retained presence comes at once, but after the acknowledgement. It proves nothing
	// until the cart repeats it.
	for wait := 500 * time.Millisecond; wait > 0; {
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		live, awaited := heard.look(time.Now())
		if live {
			d.look("doctor.rights_online", "topic", topic)
			return
		}
		if wait = awaited; wait == 0 && heard.kept() {
			d.look("doctor.rights_silent", "topic", topic)
		}
	}
	payload, err := json.Marshal(wire.Presence{Session: heard.session, Version: build.Version, Contract: wire.ContractVersion, Why: "bayfill doctor checks its rights"})
	if err == nil {
		err = conn.Publish(ctx, mqtt.Message{Topic: topic, Payload: payload, QoS: 1})
	}
	if err != nil {
		d.wrong("doctor.rights_publish", "topic", topic, "why", err)
		return
	}
	select {
	case <-heard.back:
		d.ok("doctor.rights_good", "topic", topic)
	case <-ctx.Done():
	case <-time.After(3 * time.Second):
		d.wrong("doctor.rights_none", "topic", topic)
	}
}

// presences receives the presence of a cart.
type presences struct {
	session string        // that of the message published here
	back    chan struct{} // gets a value when that message has come back

	mu    sync.Mutex
	last  wire.Presence // of others
	until time.Time     // when it must have been repeated
	beats wire.Beats
}

// look reports whether a bridge runs the cart and, if not, how long to wait until that
// is sure.
func (h *presences) look(now time.Time) (live bool, wait time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if live = h.beats.Live(now); live || !h.last.Online {
		return live, 0
	}
	return false, min(max(0, h.until.Sub(now)), 500*time.Millisecond)
}

// kept reports whether others have said that the cart is online.
func (h *presences) kept() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.last.Online
}

func (h *presences) receive(m mqtt.Message) {
	var p wire.Presence
	if json.Unmarshal(m.Payload, &p) != nil {
		return
	}
	if p.Session == h.session {
		select {
		case h.back <- struct{}{}:
		default: // it may arrive twice
		}
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	now := time.Now()
	h.beats.Take(&p, m.Retained, now)
	h.last, h.until = p, now.Add(time.Duration(min(p.EveryS, wire.IdleBeat.Seconds())*1.1*float64(time.Second)))
}

// ownBroker checks that the embedded broker answers, or that it could listen.
func (d *doctor) ownBroker(ctx context.Context, c *config.Config, running map[string]held) {
	url, secure := "tcp://"+c.Broker.Listen, (*tls.Config)(nil)
	if c.Broker.CertFile != "" {
		own, err := config.Certificate(c.Broker.CertFile, c.Broker.KeyFile)
		if err != nil {
			return // reported with the secrets
		}
		d.certificate(own.Leaf.NotAfter)
		url, secure = "tls://"+c.Broker.Listen, config.OnlyCertificate(&own)
	}
	listen := c.Broker.Listen
	has := free
	for _, h := range running {
		if has == free || h == taken {
			has = h
		}
	}
	if has == taken {
		username, password := "", ""
		if len(c.Broker.Users) > 0 {
			var err error
			username = c.Broker.Users[0].Name
			if password, err = c.Broker.Users[0].Password.Read(); err != nil {
				return // reported with the secrets
			}
		}
		conn, err := connect(ctx, url, username, password, secure)
		if err != nil {
			d.wrong("doctor.own_bad", "listen", listen, "why", err)
			return
		}
		conn.Close()
		d.ok("doctor.own_good", "listen", listen, "user", username)
		return
	}
	l, err := door.TCP(listen)
	switch {
	case errors.Is(err, door.ErrInUse) && has == unknown:
		d.look("doctor.own_busy", "listen", listen)
	case errors.Is(err, door.ErrInUse):
		d.wrong("doctor.own_taken", "why", err)
	case err != nil:
		d.wrong("doctor.own_deaf", "why", err)
	default:
		l.Close()
		d.ok("doctor.own_free", "listen", listen)
	}
}

// connect uses a client id of its own: a second connection with the id of a bridge
// would end that of the bridge.
func connect(ctx context.Context, url, username, password string, secure *tls.Config) (*mqtt.Conn, error) {
	return mqtt.Dial(ctx, mqtt.Endpoint{
		URLs: []string{url}, ClientID: "bayfill-doctor-" + rand.Text(), Username: username, Password: password, TLS: secure, AckTimeout: 5 * time.Second,
	})
}
