package door

import (
	"errors"
	"net"
	"net/netip"
	"sync"
)

// AddressOf returns the address whose share a connection counts against.
func AddressOf(c net.Conn) string { return Address(c.RemoteAddr().String()) }

// Address returns the address whose share a remote end, as in 192.0.2.7:51000, counts
// against. A computer has a whole /64 network of IPv6 addresses (RFC 4291, section 2.5.1).
func Address(remote string) string {
	at, err := netip.ParseAddrPort(remote)
	if err != nil {
		return remote
	}
	if a := at.Addr().Unmap(); a.Is4() || a.IsLoopback() {
		return a.String()
	}
	network, _ := at.Addr().WithZone("").Prefix(64)
	return network.String()
}

// Queue holds connections of which nothing is known yet, the oldest first.
type Queue struct{ waiting []waiting }

type waiting struct {
	conn    net.Conn
	address string
}

// Add adds a connection.
func (q *Queue) Add(c net.Conn, address string) { q.waiting = append(q.waiting, waiting{c, address}) }

// Len returns how many connections wait.
func (q *Queue) Len() int { return len(q.waiting) }

// All returns the connections.
func (q *Queue) All() (all []net.Conn) {
	for _, w := range q.waiting {
		all = append(all, w.conn)
	}
	return all
}

// Remove removes a connection, and reports whether it waited.
func (q *Queue) Remove(c net.Conn) bool {
	for i, w := range q.waiting {
		if w.conn == c {
			q.waiting = append(q.waiting[:i], q.waiting[i+1:]...)
			return true
		}
	}
	return false
}

// LongestOfBusiest returns the connection that has waited longest among those of the
// address that has most of them.
func (q *Queue) LongestOfBusiest() net.Conn {
	of := map[string]int{}
	for _, w := range q.waiting {
		of[w.address]++
	}
	longest := q.waiting[0]
	for _, w := range q.waiting {
		if of[w.address] > of[longest.address] {
			longest = w
		}
	}
	return longest.conn
}

// Seats is a listener for HTTP. A connection waits until its request is to stay, such as
// a stream of events. One that waits makes room for a new one when there are too many;
// those that stay are limited by address and in all.
type Seats struct {
	net.Listener
	MaxWaiting          int
	MaxStay, MaxStayAll int // of an address, and in all

	mu      sync.Mutex
	waiting Queue
	staying map[net.Conn]string // the address
}

// seat is a connection that the listener knows until it is closed.
type seat struct {
	net.Conn
	seats *Seats
}

// Accept returns the next connection.
func (s *Seats) Accept() (net.Conn, error) {
	accepted, err := s.Listener.Accept()
	if err != nil {
		return nil, err
	}
	c := &seat{accepted, s}
	s.mu.Lock()
	s.waiting.Add(c, AddressOf(c))
	var out net.Conn
	if s.waiting.Len() > s.MaxWaiting {
		out = s.waiting.LongestOfBusiest()
	}
	s.mu.Unlock()
	if out != nil {
		out.Close()
	}
	return c, nil
}

// Close closes the connection and gives up its seat.
func (c *seat) Close() error {
	c.seats.mu.Lock()
	c.seats.waiting.Remove(c)
	delete(c.seats.staying, c)
	c.seats.mu.Unlock()
	return c.Conn.Close()
}

// errFull is returned when a connection may not stay.
var errFull = errors.New("too many connections stay open: close some pages")

// Stay makes a connection that this listener has accepted one that stays. Connections of
// others stay anyway.
func Stay(c net.Conn) error {
	own, ok := c.(*seat)
	if !ok {
		return nil
	}
	s := own.seats
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, stays := s.staying[own]; stays {
		return nil
	}
	address, of := AddressOf(c), 0
	for _, other := range s.staying {
		if other == address {
			of++
		}
	}
	if of >= s.MaxStay || len(s.staying) >= s.MaxStayAll {
		return errFull
	}
	if !s.waiting.Remove(own) {
		return net.ErrClosed // it has made room for another one meanwhile
	}
	if s.staying == nil {
		s.staying = map[net.Conn]string{}
	}
	s.staying[own] = address
	return nil
}
