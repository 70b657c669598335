package broker

import (
	"fmt"
	"net"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
)

// Each user and each address has a share of the connections, some are kept for users who
// may command, and the bridge always gets in.
func TestShares(t *testing.T) {
	d := newDoor(nil, bridgetest.Log())
	n := 0
	let := func(count int, user, address string, mayCommand, bridge bool) (in int) {
		for range count {
			n++
			c := &conn{door: d, address: address}
			d.waiting = append(d.waiting, c)
			if d.admit(c, holder{user: user, id: fmt.Sprint(n), mayCommand: mayCommand, bridge: bridge}) == nil {
				in++
			} else {
				d.leave(c)
			}
		}
		return in
	}
	for _, c := range []struct {
		what, user, address string
		mayCommand, bridge  bool
		tries, in           int
	}{
		{"one user", "a", "192.0.2.1", false, false, 300, maxOfUser},
		{"the rest of one address", "b", "192.0.2.1", false, false, 300, maxOfAddress - maxOfUser},
		{"a third user of that address", "c", "192.0.2.1", false, false, 10, 0},
		{"the same user elsewhere", "a", "192.0.2.2", false, false, 10, 0},
		{"the rest of the readers", "c", "192.0.2.2", false, false, 300, maxOthers - keptForCommands - maxOfAddress},
		{"a fourth reader", "d", "192.0.2.3", false, false, 10, 0},
		{"somebody who may command", "e", "192.0.2.3", true, false, 300, keptForCommands},
		{"another who may command", "f", "192.0.2.4", true, false, 10, 0},
		{"the bridge", bridgeUser, "127.0.0.1", true, true, 200, 200},
	} {
		if in := let(c.tries, c.user, c.address, c.mayCommand, c.bridge); in != c.in {
			t.Errorf("%s: %d connections, want %d", c.what, in, c.in)
		}
	}
}

// A computer has a whole network of IPv6 addresses; they have one share.
func TestAddressOf(t *testing.T) {
	for remote, want := range map[string]string{
		"192.0.2.7:1": "192.0.2.7", "[::ffff:192.0.2.7]:1": "192.0.2.7", "[::1]:1": "::1",
		"[2001:db8:1:2:3:4:5:6]:1": "2001:db8:1:2::/64", "[fe80::1%lo]:1": "fe80::/64",
	} {
		address, err := net.ResolveTCPAddr("tcp", remote)
		if err != nil {
			t.Fatal(err)
		}
		if got := addressOf(remoteConn{remote: address}); got != want {
			t.Errorf("%s: %s, want %s", remote, got, want)
		}
	}
}

type remoteConn struct {
	net.Conn
	remote net.Addr
}

func (c remoteConn) RemoteAddr() net.Addr { return c.remote }

// Wrong passwords make attempts wait: those of the same origin one after the other, those
// for the same user from elsewhere a second at most. They are forgotten in time.
func TestGuesses(t *testing.T) {
	g := newGuesses()
	now := time.Unix(1e9, 0)
	here, there, other := origin{"192.0.2.1", "a"}, origin{"192.0.2.2", "a"}, origin{"192.0.2.1", "b"}
	check := func(what string, from origin, want time.Duration, may bool) {
		t.Helper()
		if d, ok := g.wait(from, now); d != want || ok != may {
			t.Errorf("%s: %v, %v; want %v, %v", what, d, ok, want, may)
		}
	}
	check("at first", here, 0, true)
	for range 3 {
		g.failed(here, true, now)
	}
	check("after three", here, 4*firstWait, true)
	check("the next one waits for it", here, 8*firstWait, true)
	check("from elsewhere", there, 4*firstWait, true)
	check("another user", other, 0, true)
	for range 50 {
		g.failed(here, true, now)
	}
	now = now.Add(10 * time.Second)
	check("after many", here, maxWait, true)
	check("the second", here, 2*maxWait, true)
	check("the third is not looked at", here, 0, false)
	check("after many, from elsewhere", there, maxWaitOf, true)
	now = now.Add(25 * forgetEvery)
	check("much later", here, 0, true)
	for i := range maxOrigins + 10 {
		g.failed(origin{fmt.Sprint(i), ""}, false, now)
	}
	if len(g.origins) > maxOrigins || len(g.users) != 1 {
		t.Errorf("it keeps %d origins and %d users", len(g.origins), len(g.users))
	}
}
