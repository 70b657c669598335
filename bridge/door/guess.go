package door

import (
	"sync"
	"time"
)

// Wrong passwords make the next attempt wait: one attempt after the other for the same
// user from the same address, and each attempt for that user from anywhere. The password
// is compared after the wait, right or wrong, or the wait would tell which it is.

const (
	firstWait = 100 * time.Millisecond // after the first wrong password, doubled for each more
	maxWait   = 2 * time.Second        // between attempts of one address
	maxWaitOf = time.Second            // of an attempt for a user from another address
	// maxQueue is how many attempts of an origin may wait; one more is refused without a
	// look at its password.
	maxQueue = 2
	// forgetEvery is how long it takes until one wrong password is forgotten.
	forgetEvery = time.Minute
	maxFailures = 20
	maxOrigins  = 4096
)

// Origin is where an attempt comes from. Names that are no user's count as one.
type Origin struct{ Address, User string }

// failures are the wrong passwords of an origin, or for a user.
type failures struct {
	n    int
	last time.Time // when one was counted or forgotten
	free time.Time // when the next attempt may be made
}

func (f *failures) forget(now time.Time) {
	if past := int(now.Sub(f.last) / forgetEvery); past > 0 {
		f.n, f.last = max(0, f.n-past), now
	}
}

func (f *failures) wait(most time.Duration) time.Duration {
	if f.n == 0 {
		return 0
	}
	return min(firstWait<<(f.n-1), most)
}

// Guesses counts wrong passwords.
type Guesses struct {
	mu      sync.Mutex
	origins map[Origin]*failures
	users   map[string]*failures
	refused int64
}

// NewGuesses returns a count of none.
func NewGuesses() *Guesses {
	return &Guesses{origins: map[Origin]*failures{}, users: map[string]*failures{}}
}

// Wait waits until an attempt may be made, and reports whether it may: not when too many
// wait for the same origin, or when cancel is closed before.
func (g *Guesses) Wait(from Origin, cancel <-chan struct{}) bool {
	d, ok := g.wait(from, time.Now())
	if !ok || d == 0 {
		return ok
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-cancel:
		return false
	}
}

// wait returns how long an attempt has to wait; ok is false when it must not be made.
func (g *Guesses) wait(from Origin, now time.Time) (d time.Duration, ok bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if u := g.users[from.User]; u != nil {
		u.forget(now)
		d = u.wait(maxWaitOf)
	}
	f := g.origins[from]
	if f == nil {
		return d, true
	}
	f.forget(now)
	own := f.wait(maxWait)
	if own == 0 {
		return d, true
	}
	at := f.free
	if at.Before(now.Add(own)) {
		at = now.Add(own)
	}
	if at.Sub(now) > maxQueue*own {
		return 0, false
	}
	f.free = at.Add(own)
	return max(d, at.Sub(now)), true
}

// Failed counts a wrong password, and returns how many that origin has. known is false
// when no user has that name.
func (g *Guesses) Failed(from Origin, known bool) (n int) { return g.failed(from, known, time.Now()) }

func (g *Guesses) failed(from Origin, known bool, now time.Time) (n int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.refused++
	f := g.origins[from]
	if f == nil {
		f = &failures{last: now}
		g.makeRoom(now)
		g.origins[from] = f
	}
	both := []*failures{f}
	if known {
		if g.users[from.User] == nil {
			g.users[from.User] = &failures{last: now}
		}
		both = append(both, g.users[from.User])
	}
	for _, f := range both {
		f.forget(now)
		f.n, f.last = min(f.n+1, maxFailures), now
	}
	return g.origins[from].n
}

// makeRoom forgets origins without failures, or any one when there are none.
func (g *Guesses) makeRoom(now time.Time) {
	if len(g.origins) < maxOrigins {
		return
	}
	for from, f := range g.origins {
		if f.forget(now); f.n == 0 {
			delete(g.origins, from)
		}
	}
	for from := range g.origins {
		if len(g.origins) < maxOrigins {
			return
		}
		delete(g.origins, from)
	}
}

// Refused returns how many attempts had a wrong password.
func (g *Guesses) Refused() int64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.refused
}
