package door

import (
	"net"
	"testing"
)

type remote struct {
	net.Conn
	address string
}

func (r remote) RemoteAddr() net.Addr { a, _ := net.ResolveTCPAddr("tcp", r.address); return a }
func (r remote) Close() error         { return nil }

// arriving is a listener at which connections from an address arrive.
type arriving struct {
	net.Listener
	address string
}

func (a *arriving) Accept() (net.Conn, error) { return remote{address: a.address}, nil }

// Connections that stay are limited by address and in all. One that waits makes room for
// a new one, the oldest of the busiest address first.
func TestSeats(t *testing.T) {
	from := &arriving{}
	s := &Seats{Listener: from, MaxWaiting: 4, MaxStay: 3, MaxStayAll: 5}
	arrive := func(address string) net.Conn {
		from.address = address
		c, err := s.Accept()
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	stay := func(address string, tries int) (in int) {
		for range tries {
			if c := arrive(address); Stay(c) == nil {
				in++
			} else {
				c.Close()
			}
		}
		return in
	}
	if in := stay("192.0.2.1:1", 10); in != 3 {
		t.Errorf("of one address %d stay", in)
	}
	if in := stay("192.0.2.2:1", 10); in != 2 {
		t.Errorf("of another address %d stay", in)
	}
	quiet := arrive("192.0.2.3:1")
	first := arrive("192.0.2.4:1")
	for range 10 {
		arrive("192.0.2.4:1")
	}
	if s.waiting.Len() != 4 || !s.waiting.Remove(quiet) || s.waiting.Remove(first) {
		t.Errorf("%d connections wait, and the quiet address did not keep its own", s.waiting.Len())
	}
	if err := Stay(first); err == nil {
		t.Error("a connection that has made room may stay")
	}
}
