package broker

import (
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"
)

const (
	// ConnectWithin is how long a new connection may take to authenticate.
	ConnectWithin = 5 * time.Second
	// maxWaiting is how many connections may wait to authenticate. One more ends the
	// oldest of the address that has most of them, so that silent connections keep nobody
	// out.
	maxWaiting = 64
	// maxOthers is how many authenticated connections others than the bridge may hold.
	// Each counts against the serial library's limit on descriptors. The bridge itself,
	// which has a connection for each cart, is always let in.
	maxOthers = 128
	// keptForCommands of them are for users who may command.
	keptForCommands = 32
	maxOfUser       = 32
	maxOfAddress    = 64
)

// The reasons for which an authenticated client is not let in.
var (
	errFull        = errors.New("too many connections")
	errUserFull    = errors.New("too many connections of this user")
	errAddressFull = errors.New("too many connections from this address")
	errIDInUse     = errors.New("another user has connected with this client id")
)

// door accepts connections, and says who may keep one. The library counts authenticated
// clients only, waits for the others for ever, even when it closes, and stops listening
// for good when descriptors run out.
type door struct {
	net.Listener
	log     *slog.Logger
	writers sync.WaitGroup // of the connections
	unsent  atomic.Int64   // bytes, of all connections
	slow    atomic.Int64   // connections that were ended because of that

	mu       sync.Mutex
	waiting  []*conn // not authenticated yet, the oldest first
	holders  map[*conn]holder
	reserved map[string]bool // client ids of the bridge
	closed   bool            // for good: every connection is closed at once
}

// holder is who holds an authenticated connection.
type holder struct {
	user, id   string
	bridge     bool
	mayCommand bool
}

func newDoor(l net.Listener, log *slog.Logger) *door {
	return &door{Listener: l, log: log, holders: map[*conn]holder{}, reserved: map[string]bool{}}
}

// addressOf returns the address whose share a connection counts against. A computer has
// a whole /64 network of IPv6 addresses (RFC 4291, section 2.5.1).
func addressOf(c net.Conn) string {
	at, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return c.RemoteAddr().String()
	}
	if a := at.Addr().Unmap(); a.Is4() || a.IsLoopback() {
		return a.String()
	}
	network, _ := at.Addr().WithZone("").Prefix(64)
	return network.String()
}

// Accept returns the next connection, which has a deadline to authenticate.
func (d *door) Accept() (net.Conn, error) {
	accepted, err := d.Listener.Accept()
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	if d.closed {
		d.mu.Unlock()
		accepted.Close()
		return nil, net.ErrClosed
	}
	c := newConn(accepted, d)
	c.SetDeadline(time.Now().Add(ConnectWithin)) // the library sets another one once it knows the client
	d.waiting = append(d.waiting, c)
	var out *conn
	if len(d.waiting) > maxWaiting {
		out = d.longestOfBusiest()
	}
	d.mu.Unlock()
	if out != nil {
		out.Close()
	}
	return c, nil
}

// longestOfBusiest returns the connection that has waited longest among those of the
// address that has most of them.
func (d *door) longestOfBusiest() *conn {
	of := map[string]int{}
	for _, c := range d.waiting {
		of[c.address]++
	}
	longest := d.waiting[0]
	for _, c := range d.waiting {
		if of[c.address] > of[longest.address] {
			longest = c
		}
	}
	return longest
}

// admit lets an authenticated client keep its connection, or says why not. The other
// connection with the same client id does not count: the library ends it.
func (d *door) admit(c *conn, h holder) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	var others, readers, ofUser, ofAddress int
	for other, o := range d.holders {
		switch {
		case o.id == h.id && o.user == h.user:
			continue
		case o.id == h.id && !h.bridge:
			return errIDInUse
		case o.bridge:
			continue
		}
		others++
		if !o.mayCommand {
			readers++
		}
		if o.user == h.user {
			ofUser++
		}
		if other.address == c.address {
			ofAddress++
		}
	}
	switch {
	case h.bridge:
		d.reserved[h.id] = true
	case d.reserved[h.id]:
		return errIDInUse
	case ofUser >= maxOfUser:
		return errUserFull
	case ofAddress >= maxOfAddress:
		return errAddressFull
	case others >= maxOthers || !h.mayCommand && readers >= maxOthers-keptForCommands:
		return errFull
	}
	d.stopWaiting(c)
	d.holders[c] = h
	return nil
}

// leave forgets a connection.
func (d *door) leave(c *conn) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stopWaiting(c)
	delete(d.holders, c)
}

func (d *door) stopWaiting(c *conn) {
	for i, w := range d.waiting {
		if w == c {
			d.waiting = append(d.waiting[:i], d.waiting[i+1:]...)
			return
		}
	}
}

// tooSlow counts and logs a connection that ends because its client is too slow.
func (d *door) tooSlow(c *conn) {
	d.mu.Lock()
	user := d.holders[c].user
	d.mu.Unlock()
	d.slow.Add(1)
	d.log.Warn("connection ended: its client is too slow", "address", c.address, "user", shortened(user))
}

// count returns how many connections wait to authenticate, and how many are authenticated.
func (d *door) count() (waiting, authenticated int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.waiting), len(d.holders)
}

// closeAll closes every open connection, and from then on every new one.
func (d *door) closeAll() {
	d.mu.Lock()
	d.closed = true
	open := append([]*conn(nil), d.waiting...)
	for c := range d.holders {
		open = append(open, c)
	}
	d.mu.Unlock()
	for _, c := range open {
		c.Conn.Close()
		c.Close()
	}
}
