package mqtt

import (
	"bufio"
	"cmp"
	"crypto/tls"
	"encoding/binary"
	"errors"
	"net"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/net/proxy"

	"bayfill/bridge/words"
	"bayfill/sensors/direct"
)

// stream is the connection under the library. The library reads each packet in at least
// three pieces and hands each message from goroutine to goroutine until it is written;
// that takes more of a small computer than everything else about a reading. So a stream
// reads ahead, and takes messages with QoS 0, for which the library keeps no books, from
// their sender.
type stream struct {
	net.Conn
	in      *bufio.Reader
	timeout time.Duration // of a write

	mu    sync.Mutex // while a packet is written
	out   []byte
	rest  []byte // of a packet for which there was not enough room
	until time.Time
	err   error // of a write: a part of a packet may be out, so nothing may follow it
}

// open connects like the library itself, and puts a stream under it.
func open(to *url.URL, o *paho.ClientOptions) (*stream, error) {
	conn, err := connect(to, o)
	if err != nil {
		return nil, err
	}
	return &stream{Conn: conn, in: bufio.NewReaderSize(conn, 1024), timeout: o.WriteTimeout}, nil
}

func connect(to *url.URL, o *paho.ClientOptions) (net.Conn, error) {
	switch to.Scheme {
	case "ws", "wss":
		return paho.NewWebsocket(to.String(), o.TLSConfig, o.ConnectTimeout, nil, nil)
	case "tcp", "mqtt":
		return connectTCP(to, o)
	case "tls", "ssl", "mqtts":
		return connectTLS(to, o)
	}
	return nil, words.NewError("reach.protocol")
}

// directConn is a connection with its own way to read and write.
type directConn struct {
	net.Conn
	way *direct.Conn
}

func (c directConn) Read(b []byte) (int, error)  { return c.way.Read(b) }
func (c directConn) Write(b []byte) (int, error) { return c.way.Write(b) }

// connectTCP connects, through the proxy of the environment if there is one.
func connectTCP(to *url.URL, o *paho.ClientOptions) (net.Conn, error) {
	conn, err := proxy.FromEnvironmentUsing(o.Dialer).Dial("tcp", to.Host)
	tcp, ok := conn.(*net.TCPConn)
	if err != nil || !ok {
		return conn, err
	}
	way, err := direct.New(tcp)
	return directConn{tcp, way}, err
}

func connectTLS(to *url.URL, o *paho.ClientOptions) (net.Conn, error) {
	plain, err := connectTCP(to, o)
	if err != nil {
		return nil, err
	}
	config := &tls.Config{}
	if o.TLSConfig != nil {
		config = o.TLSConfig.Clone()
	}
	config.ServerName = cmp.Or(config.ServerName, to.Hostname())
	conn := tls.Client(plain, config)
	if err := errors.Join(conn.SetDeadline(time.Now().Add(o.ConnectTimeout)), conn.Handshake()); err != nil {
		plain.Close()
		return nil, err
	}
	return conn, nil
}

func (s *stream) Read(b []byte) (int, error) { return s.in.Read(b) }

// Write writes a packet of the library.
func (s *stream) Write(packet []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write(packet)
}

// write writes packets within the limit. The caller holds the lock.
func (s *stream) write(packets []byte) (n int, err error) {
	if s.err == nil {
		s.err = s.limit()
	}
	if s.err == nil && len(s.rest) > 0 {
		_, s.err = s.Conn.Write(s.rest)
		s.rest = s.rest[:0]
	}
	if s.err == nil {
		n, s.err = s.Conn.Write(packets)
	}
	return n, s.err
}

// limit sets the time until which what is written now must be written. It is moved only now
// and then, because that costs more than a short write: the limit is the timeout or a quarter
// less.
func (s *stream) limit() error {
	now := time.Now()
	if s.until.Sub(now) > s.timeout*3/4 {
		return nil
	}
	s.until = now.Add(s.timeout)
	return s.Conn.SetWriteDeadline(s.until)
}

// try writes a message with QoS 0 if that is possible without waiting, and reports whether
// it did. What there is no room for goes before the next packet.
func (s *stream) try(m *Message) bool {
	conn, plain := s.Conn.(directConn)
	if !plain || !s.mu.TryLock() {
		return false
	}
	defer s.mu.Unlock()
	if s.err != nil || len(s.rest) > 0 || s.limit() != nil {
		return false
	}
	s.out = appendPublish(s.out[:0], m)
	n, err := conn.way.TryWrite(s.out)
	if err != nil || n == 0 {
		return false
	}
	s.rest = append(s.rest, s.out[n:]...)
	return true
}

// SetWriteDeadline does nothing: each write has its own limit.
func (s *stream) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline is for reading only, for the same reason.
func (s *stream) SetDeadline(t time.Time) error { return s.Conn.SetReadDeadline(t) }

// publish writes messages with QoS 0, all at once. After an error the connection is lost.
func (s *stream) publish(messages ...Message) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.out = s.out[:0]
	for i := range messages {
		s.out = appendPublish(s.out, &messages[i])
	}
	_, err := s.write(s.out)
	if err != nil {
		s.Conn.SetReadDeadline(time.Unix(1, 0)) // the library learns of a loss by reading
	}
	return err
}

// appendPublish appends a PUBLISH packet with QoS 0 (MQTT 3.1.1, 3.3; the length: 2.2.3).
func appendPublish(b []byte, m *Message) []byte {
	const publish, retain = 3 << 4, 1
	first := byte(publish)
	if m.Retained {
		first |= retain
	}
	b = append(b, first)
	// The length has the form of Go's unsigned varint: seven bits a byte, the lowest first.
	b = binary.AppendUvarint(b, uint64(2+len(m.Topic)+len(m.Payload)))
	b = binary.BigEndian.AppendUint16(b, uint16(len(m.Topic)))
	b = append(b, m.Topic...)
	return append(b, m.Payload...)
}
