package broker

import (
	"fmt"
	"testing"

	"bayfill/bridge/bridgetest"
)

// Each user and each address has a share of the connections, some are kept for users who
// may command, and the bridge always gets in.
func TestShares(t *testing.T) {
	g := newGate(nil, bridgetest.Log())
	n := 0
	let := func(count int, user, address string, mayCommand, bridge bool) (in int) {
		for range count {
			n++
			c := &conn{gate: g, address: address}
			g.waiting.Add(c, address)
			if g.admit(c, holder{user: user, id: fmt.Sprint(n), mayCommand: mayCommand, bridge: bridge}) == nil {
				in++
			} else {
				g.leave(c)
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
