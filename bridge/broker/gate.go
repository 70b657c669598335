package broker

import (
	"errors"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"bayfill/bridge/door"
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

// gate accepts connections, and says who may keep one. The library counts authenticated
// clients only, waits for the others for ever, even when it closes, and stops listening
// for good when descriptors run out.
type gate struct {
	net.Listener
	log     *slog.Logger
	writers sync.WaitGroup // of the connections
	unsent  atomic.Int64   // bytes, of all connections
	slow    atomic.Int64   // connections that were ended because of that

	mu       sync.Mutex
	waiting  door.Queue // not authenticated yet
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

func newGate(l net.Listener, log *slog.Logger) *gate {
	return &gate{Listener: l, log: log, holders: map[*conn]holder{}, reserved: map[string]bool{}}
}

// Accept returns the next connection, which has a deadline to authenticate.
func (g *gate) Accept() (net.Conn, error) {
	accepted, err := g.Listener.Accept()
	for errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE) || errors.Is(err, syscall.ECONNABORTED) {
		time.Sleep(100 * time.Millisecond) // the library would stop listening for good
		accepted, err = g.Listener.Accept()
	}
	if err != nil {
		return nil, err
	}
	g.mu.Lock()
	if g.closed {
		g.mu.Unlock()
		accepted.Close()
		return nil, net.ErrClosed
	}
	c := newConn(accepted, g)
	c.SetDeadline(time.Now().Add(ConnectWithin)) // the library sets another one once it knows the client
	g.waiting.Add(c, c.address)
	var out net.Conn
	if g.waiting.Len() > maxWaiting {
		out = g.waiting.LongestOfBusiest()
	}
	g.mu.Unlock()
	if out != nil {
		out.Close()
	}
	return c, nil
}

// admit lets an authenticated client keep its connection, or says why not. The other
// connection with the same client id does not count: the library ends it.
func (g *gate) admit(c *conn, h holder) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	var others, readers, ofUser, ofAddress int
	for other, o := range g.holders {
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
		g.reserved[h.id] = true
	case g.reserved[h.id]:
		return errIDInUse
	case ofUser >= maxOfUser:
		return errUserFull
	case ofAddress >= maxOfAddress:
		return errAddressFull
	case others >= maxOthers || !h.mayCommand && readers >= maxOthers-keptForCommands:
		return errFull
	}
	if !g.waiting.Remove(c) {
		return net.ErrClosed // it has made room for another one meanwhile
	}
	g.holders[c] = h
	return nil
}

// leave forgets a connection.
func (g *gate) leave(c *conn) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.waiting.Remove(c)
	delete(g.holders, c)
}

// tooSlow counts and logs a connection that ends because its client is too slow.
func (g *gate) tooSlow(c *conn) {
	g.mu.Lock()
	user := g.holders[c].user
	g.mu.Unlock()
	g.slow.Add(1)
	g.log.Warn("connection ended: its client is too slow", "address", c.address, "user", shortened(user))
}

// count returns how many connections wait to authenticate, and how many are authenticated.
func (g *gate) count() (waiting, authenticated int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.waiting.Len(), len(g.holders)
}

// closeAll closes every open connection, and from then on every new one.
func (g *gate) closeAll() {
	g.mu.Lock()
	g.closed = true
	open := g.waiting.All()
	for c := range g.holders {
		open = append(open, c)
	}
	g.mu.Unlock()
	for _, o := range open {
		c := o.(*conn)
		c.Conn.Close()
		c.Close()
	}
}
