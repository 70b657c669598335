package door

import (
	"fmt"
	"testing"
	"time"
)

// A computer has a whole network of IPv6 addresses; they have one share.
func TestAddress(t *testing.T) {
	for remote, want := range map[string]string{
		"192.0.2.7:1": "192.0.2.7", "[::ffff:192.0.2.7]:1": "192.0.2.7", "[::1]:1": "::1",
		"[2001:db8:1:2:3:4:5:6]:1": "2001:db8:1:2::/64", "[fe80::1%lo]:1": "fe80::/64",
	} {
		if got := Address(remote); got != want {
			t.Errorf("%s: %s, want %s", remote, got, want)
		}
	}
}

// Wrong passwords make attempts wait: those of the same origin one after the other, those
// for the same user from elsewhere a second at most. They are forgotten in time.
func TestGuesses(t *testing.T) {
	g := NewGuesses()
	now := time.Unix(1e9, 0)
	here, there, other := Origin{"192.0.2.1", "a"}, Origin{"192.0.2.2", "a"}, Origin{"192.0.2.1", "b"}
	check := func(what string, from Origin, want time.Duration, may bool) {
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
		g.failed(Origin{fmt.Sprint(i), ""}, false, now)
	}
	if len(g.origins) > maxOrigins || len(g.users) != 1 {
		t.Errorf("it keeps %d origins and %d users", len(g.origins), len(g.users))
	}
}
