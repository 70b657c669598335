package board

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/wire"
)

// hub holds all carts. The connection to the broker feeds it, browsers read it.
type hub struct {
	oneShop bool // carts are named without their shop

	mu    sync.Mutex
	carts map[string]*cart
	link  link
}

// link is how the board stands with the broker.
type link struct {
	up    bool
	since time.Time
	why   string // it is down
}

// mostCarts bounds what a broker full of nonsense can do.
const mostCarts = 256

// longestMessage is what the embedded broker lets through.
const longestMessage = 64 << 10

// namePattern is that of shops and carts in the bridge's configuration: whatever
// else is in a topic is no cart.
var namePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`)

func newHub(oneShop bool, now time.Time) *hub {
	return &hub{oneShop: oneShop, carts: map[string]*cart{}, link: link{since: now, why: "not connected yet"}}
}

// receive takes a message from bayfill/{shop}/{cart}/{leaf}.
func (h *hub) receive(topic string, payload []byte, retained bool, now time.Time) {
	parts := strings.Split(topic, "/")
	if len(parts) != 4 || !namePattern.MatchString(parts[1]) || !namePattern.MatchString(parts[2]) || len(payload) > longestMessage {
		return
	}
	key, leaf := parts[1]+"/"+parts[2], wire.Leaf(parts[3])
	if h.oneShop {
		key = parts[2]
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	c := h.carts[key]
	switch {
	case len(payload) == 0: // somebody tidies up the broker's memory
		if c != nil && leaf == wire.PresenceLeaf {
			delete(h.carts, key)
			close(c.changed)
		}
		return
	case c == nil && len(h.carts) == mostCarts:
		return
	case c == nil:
		c = newCart()
		h.carts[key] = c
	}
	c.receive(leaf, payload, retained, now)
}

// linked tells how the board stands with the broker; why says what is wrong.
func (h *hub) linked(up bool, why string, now time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !up && !h.link.up {
		h.link.why = why
		return
	}
	h.link = link{up, now, why}
	for _, c := range h.carts {
		c.interrupted()
	}
}

// tick lets the trends grow.
func (h *hub) tick(now time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, c := range h.carts {
		c.sample(h.link.up, now)
	}
}

// look makes a view of one cart, and gives the channel that is closed at its
// next change; nil for one that nothing has come from.
func (h *hub) look(key string, mayCommand bool, now time.Time) (view, <-chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := h.carts[key]
	if c == nil {
		return newView(key, newCart(), h.link, mayCommand, now), nil
	}
	return newView(key, c, h.link, mayCommand, now), c.changed
}

// lookAll makes views of all carts, in the order of their names.
func (h *hub) lookAll(now time.Time) []view {
	h.mu.Lock()
	defer h.mu.Unlock()
	list := make([]view, 0, len(h.carts))
	for key, c := range h.carts {
		list = append(list, newView(key, c, h.link, false, now))
	}
	slices.SortFunc(list, func(a, b view) int { return cmp.Compare(a.Key, b.Key) })
	return list
}
