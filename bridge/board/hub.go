package board

import (
	"regexp"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

// hub holds all carts. The connection to the broker writes it, browsers read it.
type hub struct {
	oneShop bool // carts are named without their shop

	mu    sync.Mutex
	carts map[string]*cart
	bytes int  // of all messages that are kept
	full  bool // something had no room
	link  link
}

// link is the state of the connection to the broker.
type link struct {
	up    bool
	since time.Time
	why   string // why it is down
}

// maxCarts and maxBytes bound the memory that a broker full of nonsense can use.
const (
	maxCarts = 4096
	maxBytes = 64 << 20 // of messages
)

// maxMessageBytes is the packet limit of the embedded broker.
const maxMessageBytes = 64 << 10

// namePattern is the form of the names of shops and carts in the bridge's configuration.
// Topics with other names are ignored.
var namePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`)

func newHub(oneShop bool, now time.Time) *hub {
	return &hub{oneShop: oneShop, carts: map[string]*cart{}, link: link{since: now, why: "not connected yet"}}
}

// receive stores a message from bayfill/{shop}/{cart}/{leaf}.
func (h *hub) receive(topic string, payload []byte, retained bool, now time.Time) {
	parts := strings.Split(topic, "/")
	if len(parts) != 4 || !namePattern.MatchString(parts[1]) || !namePattern.MatchString(parts[2]) || len(payload) > maxMessageBytes {
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
	case len(payload) == 0: // somebody deletes retained messages
		if c != nil && leaf == wire.PresenceLeaf {
			delete(h.carts, key)
			h.bytes -= c.size()
			h.full = false
			close(c.changed)
		}
		return
	case len(payload)+h.bytes > maxBytes, c == nil && len(h.carts) == maxCarts:
		h.full = true
		return
	case c == nil:
		c = newCart()
		h.carts[key] = c
	}
	before := c.size()
	c.receive(leaf, payload, retained, now)
	h.bytes += c.size() - before
}

// linked sets the state of the connection to the broker. why says what is wrong.
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

// look returns the screen of one cart and a channel that is closed at its next change. The
// channel is nil for an unknown cart.
func (h *hub) look(r words.Reader, key string, mayCommand bool, now time.Time) (screen, <-chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := h.carts[key]
	if c == nil {
		return newScreen(r, key, newCart(), h.link, mayCommand, now), nil
	}
	return newScreen(r, key, c, h.link, mayCommand, now), c.changed
}

// allKept is how long after a connection the broker has sent all that it keeps.
const allKept = 2 * time.Second

// onlyCart returns the only cart there is.
func (h *hub) onlyCart(now time.Time) (key string, only bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for key = range h.carts {
	}
	return key, len(h.carts) == 1 && now.Sub(h.link.since) > allKept
}

// lookAll returns all carts of a shop for the overview, the most urgent first. Where the
// board shows one shop only, its name is empty.
func (h *hub) lookAll(r words.Reader, shop string, now time.Time) overview {
	h.mu.Lock()
	defer h.mu.Unlock()
	o := overview{R: r, Shop: shop, Full: h.full}
	for key, c := range h.carts {
		if shop != "" && !strings.HasPrefix(key, shop+"/") {
			continue
		}
		o.Tiles = append(o.Tiles, newTile(r, key, c, h.link, now))
	}
	o.arrange()
	return o
}
