package broker

import (
	"crypto/tls"
	"errors"
	"net"
	"sync"
	"time"

	"bayfill/bridge/door"
)

const (
	// maxUnsent is how many bytes a connection may leave unread: the retained leaves of
	// two hundred carts, and minutes of everything that a cart sends.
	maxUnsent = 4 << 20
	// maxUnsentInAll is the same for all connections together.
	maxUnsentInAll = 64 << 20
	// fairUnsent is what each may leave unread when all together leave too much.
	fairUnsent = maxUnsentInAll / maxOthers
	// writeWithin is how long a piece of output may wait for a reader that takes nothing.
	writeWithin = 10 * time.Second
	writePiece  = 64 << 10
	// closeWithin is how long a connection that ends may take for its last output.
	closeWithin = 250 * time.Millisecond
)

// errSlow ends a connection whose reader is too slow.
var errSlow = errors.New("the client reads too slowly")

// conn is a connection whose writes do not wait for the reader: a goroutine of its own
// sends what was written. The library's own queue counts messages, whatever their size,
// and drops them silently. This one counts bytes, and ends the connection when there are
// too many: a client that connects again gets the newest retained leaves.
type conn struct {
	net.Conn
	gate    *gate
	address string        // whose share it counts against
	ended   chan struct{} // closed when the connection is to end

	mu      sync.Mutex
	out     []byte // what the sending goroutine has not taken yet
	unsent  int    // bytes, with what it has taken
	closing bool
	wake    chan struct{}
}

func newConn(accepted net.Conn, g *gate) *conn {
	c := &conn{Conn: accepted, gate: g, address: door.AddressOf(accepted), ended: make(chan struct{}), wake: make(chan struct{}, 1)}
	g.writers.Go(c.send)
	return c
}

// underTLS returns the listener's connection that a client uses, with or without TLS.
func underTLS(c net.Conn) *conn {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	own, _ := c.(*conn)
	return own
}

// Write keeps a copy of p for the sending goroutine.
func (c *conn) Write(p []byte) (int, error) {
	c.mu.Lock()
	if c.closing {
		c.mu.Unlock()
		return 0, net.ErrClosed
	}
	unsent := c.unsent + len(p)
	if unsent > maxUnsent || unsent > fairUnsent && c.gate.unsent.Load() > maxUnsentInAll {
		c.mu.Unlock()
		c.overrun()
		return 0, errSlow
	}
	c.out = append(c.out, p...)
	c.add(len(p))
	c.mu.Unlock()
	c.signal()
	return len(p), nil
}

// overrun ends a connection whose client is too slow, without its last output.
func (c *conn) overrun() {
	c.gate.tooSlow(c)
	c.Conn.Close()
	c.Close()
}

// add counts unsent bytes; c.mu is held.
func (c *conn) add(n int) {
	c.unsent += n
	c.gate.unsent.Add(int64(n))
}

// SetDeadline limits reading. Writing has a limit of its own.
func (c *conn) SetDeadline(t time.Time) error { return c.Conn.SetReadDeadline(t) }

// SetWriteDeadline does nothing: see SetDeadline.
func (c *conn) SetWriteDeadline(time.Time) error { return nil }

// Close ends the connection once its last output is sent, or after a moment.
func (c *conn) Close() error {
	if c.end() {
		c.gate.leave(c)
	}
	return nil
}

// end makes the sending goroutine close the connection, and reports whether this is the
// first call.
func (c *conn) end() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closing {
		return false
	}
	c.closing = true
	close(c.ended)
	c.Conn.SetReadDeadline(time.Now())
	c.Conn.SetWriteDeadline(time.Now().Add(closeWithin))
	c.signal()
	return true
}

func (c *conn) signal() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// send sends the output until the connection ends, and closes it.
func (c *conn) send() {
	defer c.Conn.Close()
	for range c.wake {
		c.mu.Lock()
		out, closing := c.out, c.closing
		c.out = nil
		c.mu.Unlock()
		if err := c.sendAll(out); err != nil || closing {
			c.Close()
			c.mu.Lock()
			c.add(-c.unsent)
			c.mu.Unlock()
			return
		}
	}
}

func (c *conn) sendAll(out []byte) error {
	for len(out) > 0 {
		c.mu.Lock()
		if !c.closing {
			c.Conn.SetWriteDeadline(time.Now().Add(writeWithin))
		}
		c.mu.Unlock()
		n, err := c.Conn.Write(out[:min(len(out), writePiece)])
		if err != nil {
			return err
		}
		out = out[n:]
		c.mu.Lock()
		c.add(-n)
		c.mu.Unlock()
	}
	return nil
}
