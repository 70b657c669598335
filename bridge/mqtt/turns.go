package mqtt

import (
	"cmp"
	"context"
	"errors"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"sync"
	"syscall"
	"time"
)

const (
	firstRetry = time.Second
	// stableAfter is how long a connection lasts until what failed before it counts no
	// more.
	stableAfter = 30 * time.Second
	// firstPatience limits the first attempt at one of several places. A cluster's node
	// may accept a connection and then answer nothing for seconds, while another one
	// would. It doubles with each failure there, up to Timeout, for slow networks.
	firstPatience = 1500 * time.Millisecond
	resolveWithin = time.Second
	// clusterRetry limits the pause of one of several places. A cluster is away for seconds
	// only, until its nodes have elected new leaders.
	clusterRetry = 2 * time.Second
)

// place is where to connect to: a URL and, when its host has several addresses, one of
// them.
type place struct {
	url string
	ip  netip.Addr // invalid: the one that the system takes
}

// failed is what is known of a place that has failed.
type failed struct {
	retry time.Duration // pause after its last failure
	next  time.Time     // not again before
}

// turns decides which place comes next. Every place has a pause of its own, so one that
// fails does not delay the others.
type turns struct {
	endpoint Endpoint
	places   []place // at the last turn
	failures map[place]failed
}

func newTurns(e Endpoint) *turns {
	return &turns{endpoint: e.withDefaults(), failures: map[place]failed{}}
}

// String names a place: its URL and, if that alone does not say it, the address.
func (p place) String() string {
	if p.ip.IsValid() {
		return p.url + " (" + p.ip.String() + ")"
	}
	return p.url
}

// only lets a dialer connect to no other address of the host.
func (p place) only(_ context.Context, _, address string, _ syscall.RawConn) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil || host == p.ip.String() {
		return err
	}
	return errors.New("not the turn of this address")
}

// next waits until a place is due and returns it, with how long an attempt may take. The
// order is that of the URLs among those that have not failed; then the longest waiting.
func (t *turns) next(ctx context.Context) (p place, within time.Duration) {
	t.places = resolve(ctx, t.endpoint.URLs)
	p = slices.MinFunc(t.places, func(a, b place) int { return t.failures[a].next.Compare(t.failures[b].next) })
	f := t.failures[p]
	select {
	case <-ctx.Done():
	case <-time.After(time.Until(f.next)):
	}
	if len(t.places) == 1 {
		return p, t.endpoint.Timeout
	}
	return p, min(t.endpoint.Timeout, firstPatience+2*f.retry)
}

// failed notes that a connection to a place, begun at start, has failed.
func (t *turns) failed(p place, start time.Time) {
	f := t.failures[p]
	if time.Since(start) > stableAfter {
		clear(t.failures)
		f = failed{}
	}
	f.retry = min(cmp.Or(2*f.retry, firstRetry), t.endpoint.MaxRetry)
	if len(t.places) > 1 {
		f.retry = min(f.retry, clusterRetry)
	}
	f.next = time.Now().Add(f.retry)
	t.failures[p] = f
}

// last reports whether every place has failed and none is due now.
func (t *turns) last() bool {
	return !slices.ContainsFunc(t.places, func(p place) bool { return !t.failures[p].next.After(time.Now()) })
}

// resolve lists the places of URLs. A host whose addresses cannot be found stays one
// place: the attempt will say why.
func resolve(ctx context.Context, urls []string) []place {
	ctx, cancel := context.WithTimeout(ctx, resolveWithin)
	defer cancel()
	found := make([][]place, len(urls))
	var running sync.WaitGroup
	for i, address := range urls {
		found[i] = []place{{url: address}}
		u, err := url.Parse(address)
		if err != nil || !dialled[u.Scheme] || net.ParseIP(u.Hostname()) != nil {
			continue
		}
		running.Go(func() {
			ips, err := net.DefaultResolver.LookupNetIP(ctx, "ip", u.Hostname())
			if err != nil || len(ips) < 2 {
				return
			}
			found[i] = nil
			for _, ip := range ips {
				found[i] = append(found[i], place{address, ip.Unmap()})
			}
		})
	}
	running.Wait()
	return slices.Concat(found...)
}

// dialled are the schemes for which the library uses the dialer that it is given; a proxy
// or a websocket finds the address itself.
var dialled = map[string]bool{"tcp": true, "mqtt": true, "tls": true, "ssl": true, "mqtts": true}
