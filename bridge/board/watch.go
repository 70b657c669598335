package board

import (
	"context"
	"maps"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// A board for all shops reads what its index shows of every cart, and the other leaves only
// of the shops of which a page is open.
var (
	indexLeaves  = []wire.Leaf{wire.PresenceLeaf, wire.JobLeaf, wire.VolumesLeaf}
	detailLeaves = []wire.Leaf{wire.AboutLeaf, wire.ChoicesLeaf, wire.WindowLeaf, wire.AlertsLeaf}
)

// filtersOf are the filters of some leaves of a shop's carts.
func filtersOf(shop string, leaves []wire.Leaf) (filters []mqtt.Filter) {
	for _, leaf := range leaves {
		filters = append(filters, mqtt.Filter{Topic: "bayfill/" + shop + "/+/" + string(leaf), QoS: 1})
	}
	return filters
}

// watch notes that a page of a shop is open, until done is called.
func (c *client) watch(shop string) (done func()) {
	if c.shop != "+" || !namePattern.MatchString(shop) {
		return func() {}
	}
	add := func(n int) {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.watched[shop] += n; c.watched[shop] == 0 {
			delete(c.watched, shop)
		}
		c.signal()
	}
	add(1)
	return func() { add(-1) }
}

// signal wakes the goroutine of the connection. One signal is enough.
func (c *client) signal() {
	select {
	case c.rewatch <- struct{}{}:
	default:
	}
}

// follow subscribes to the details of the shops of which a page is open, and to no
// others.
func (c *client) follow(ctx context.Context, conn *mqtt.Conn, subscribed map[string]bool) error {
	c.mu.Lock()
	watched := maps.Clone(c.watched)
	c.mu.Unlock()
	for shop := range watched {
		if subscribed[shop] {
			continue
		}
		if err := conn.Subscribe(ctx, c.receive, filtersOf(shop, detailLeaves)...); err != nil {
			return err
		}
		subscribed[shop] = true
	}
	for shop := range subscribed {
		if watched[shop] > 0 {
			continue
		}
		if err := conn.Unsubscribe(ctx, filtersOf(shop, detailLeaves)...); err != nil {
			return err
		}
		delete(subscribed, shop)
		c.hub.unwatch(shop)
	}
	return nil
}

// unwatch forgets the details of a shop's carts, which nobody reads any more.
func (h *hub) unwatch(shop string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for key, c := range h.carts {
		if len(key) > len(shop) && key[:len(shop)+1] == shop+"/" {
			before := c.size()
			c.unwatch()
			h.bytes += c.size() - before
		}
	}
}
