package attack

import (
	"bufio"
	"encoding/binary"
	"io"
	"log/slog"
	"net"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/broker"
	"bayfill/bridge/config"
)

// startBroker starts the embedded broker with one user of each kind, and returns what it
// logs.
func startBroker(t *testing.T) (b *broker.Broker, log *bridgetest.Output) {
	t.Helper()
	log = new(bridgetest.Output)
	b, err := broker.Start(journaltest.BareConfig(t, t.TempDir(), bridgetest.EmbeddedUsers).Broker, slog.New(slog.NewTextHandler(log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b, log
}

// startOpenBroker starts one without users.
func startOpenBroker(t *testing.T) *broker.Broker {
	t.Helper()
	b, err := broker.Start(config.Broker{Listen: "127.0.0.1:0"}, bridgetest.Log())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// peer is a client that sends exactly the bytes that it is told to, as the MQTT 3.1.1
// standard (OASIS, section 3) describes them.
type peer struct {
	t    *testing.T
	conn net.Conn
	in   *bufio.Reader
}

func dial(t *testing.T, address string) *peer {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &peer{t, c, bufio.NewReader(c)}
}

func text(s string) []byte {
	return append(binary.BigEndian.AppendUint16(nil, uint16(len(s))), s...)
}

// packet returns a control packet: its first byte, the length of the rest, and the rest.
func packet(first byte, parts ...[]byte) []byte {
	var body []byte
	for _, p := range parts {
		body = append(body, p...)
	}
	return append(binary.AppendUvarint([]byte{first}, uint64(len(body))), body...) // the same encoding as section 2.2.3
}

func connect(id, user, password string, clean bool) []byte {
	flags := byte(0xC0)
	if clean {
		flags |= 2
	}
	if user == "" { // anonymous
		return packet(0x10, text("MQTT"), []byte{4, flags &^ 0xC0, 0, 60}, text(id))
	}
	return packet(0x10, text("MQTT"), []byte{4, flags, 0, 60}, text(id), text(user), text(password))
}

func subscribe(filters ...string) []byte {
	parts := [][]byte{{0, 1}}
	for _, f := range filters {
		parts = append(parts, text(f), []byte{1})
	}
	return packet(0x82, parts...)
}

func publish(qos byte, topic, payload string) []byte {
	if qos == 0 {
		return packet(0x30, text(topic), []byte(payload))
	}
	return packet(0x30|qos<<1, text(topic), []byte{0, 7}, []byte(payload))
}

func (p *peer) send(b []byte) *peer {
	p.conn.SetWriteDeadline(time.Now().Add(10 * time.Second))
	p.conn.Write(b) // an ended connection shows at the next read
	return p
}

// read returns the next packet, nil when the connection has ended or nothing came within
// the time.
func (p *peer) read(within time.Duration) (first byte, body []byte) {
	p.conn.SetReadDeadline(time.Now().Add(within))
	first, err := p.in.ReadByte()
	if err != nil {
		return 0, nil
	}
	n, err := binary.ReadUvarint(p.in)
	if err != nil {
		return 0, nil
	}
	body = make([]byte, n)
	if _, err := io.ReadFull(p.in, body); err != nil {
		return 0, nil
	}
	return first, body
}

// login connects, and returns the return code: 0 means accepted, 255 that the connection
// ended without an answer.
func (p *peer) login(id, user string, clean bool) (code byte) {
	return p.loginWith(id, user, "secret", clean)
}

func (p *peer) loginWith(id, user, password string, clean bool) (code byte) {
	p.send(connect(id, user, password, clean))
	if first, body := p.read(10 * time.Second); first == 0x20 && len(body) == 2 {
		return body[1]
	}
	return 255
}

// ended reports whether the other side ends the connection, whatever it sends before.
func (p *peer) ended(within time.Duration) bool {
	p.conn.SetReadDeadline(time.Now().Add(within))
	_, err := io.Copy(io.Discard, p.in)
	return err == nil || !isTimeout(err)
}

func isTimeout(err error) bool {
	timeout, ok := err.(net.Error)
	return ok && timeout.Timeout()
}

// asBridge connects as the bridge does.
func asBridge(t *testing.T, b *broker.Broker, id string) *peer {
	t.Helper()
	user, password := b.Login()
	p := dial(t, b.Address())
	if code := p.loginWith(id, user, password, true); code != 0 {
		t.Fatalf("the bridge is refused with code %d", code)
	}
	return p
}

// served reports a failure when a user cannot connect soon.
func served(t *testing.T, b *broker.Broker, id, user string) *peer {
	t.Helper()
	began := time.Now()
	p := dial(t, b.Address())
	if code := p.login(id, user, true); code != 0 || time.Since(began) > 3*time.Second {
		t.Errorf("%s is not served: code %d after %.1f s", user, code, time.Since(began).Seconds())
	}
	return p
}
