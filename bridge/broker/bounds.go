package broker

import (
	"sync"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// No client but the bridge leaves anything behind: its session ends with its connection,
// and what it publishes is not retained. So a client costs no memory once it is gone.

const (
	maxFilters      = 256 // of a client
	maxFiltersInAll = 8192
	maxFilterBytes  = 256
	// maxUnacked is how many bytes a client may leave without an acknowledgement, and
	// maxUnackedInAll all clients together.
	maxUnacked      = maxUnsent
	maxUnackedInAll = maxUnsentInAll
)

// bound takes from a client what would outlive its connection or grow with it.
func bound(cl *mqttd.Client) {
	cl.Properties.Clean = true
	cl.Properties.Will.Retain = false
	cl.Properties.Will.WillDelayInterval = 0
	cl.Properties.Props.TopicAliasMaximum = 0
	cl.State.TopicAliases.Outbound = mqttd.NewOutboundTopicAliases(0)
}

// OnPublish takes the retain flag from messages of others than the bridge: they may
// publish commands only, and an old command must not come again.
func (a *access) OnPublish(cl *mqttd.Client, pk packets.Packet) (packets.Packet, error) {
	if !a.users[string(cl.Properties.Username)].bridge {
		pk.FixedHeader.Retain = false
	}
	return pk, nil
}

// OnSubscribe makes the filters beyond the limits invalid, which the library refuses.
func (a *access) OnSubscribe(cl *mqttd.Client, pk packets.Packet) packets.Packet {
	if a.users[string(cl.Properties.Username)].bridge {
		return pk
	}
	own := cl.State.Subscriptions.Len()
	all := int(a.server.Info.Clone().Subscriptions)
	for i := range pk.Filters {
		f := &pk.Filters[i]
		if _, again := cl.State.Subscriptions.Get(f.Filter); again {
			continue
		}
		own, all = own+1, all+1
		if own > maxFilters || all > maxFiltersInAll || len(f.Filter) > maxFilterBytes {
			f.Filter = ""
		}
	}
	return pk
}

// unacked counts what clients have not acknowledged. The library limits the number of
// messages only. A count is too high until it is corrected, which is done when it reaches
// a limit, since the library does not tell of every message that it removes.
type unacked struct {
	mu    sync.Mutex
	bytes map[*mqttd.Client]int
	all   int
}

// OnQosPublish is called for each message that waits for an acknowledgement.
func (a *access) OnQosPublish(cl *mqttd.Client, pk packets.Packet, _ int64, _ int) {
	if a.unacked.add(cl, len(pk.TopicName)+len(pk.Payload)) {
		underTLS(cl.Net.Conn).overrun()
	}
}

// OnDisconnect forgets a client.
func (a *access) OnDisconnect(cl *mqttd.Client, _ error, _ bool) {
	a.unacked.mu.Lock()
	defer a.unacked.mu.Unlock()
	a.unacked.all -= a.unacked.bytes[cl]
	delete(a.unacked.bytes, cl)
}

// add counts a message, and reports whether its client has too many.
func (u *unacked) add(cl *mqttd.Client, n int) bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.bytes[cl] += n
	u.all += n
	fair := maxUnackedInAll / maxOthers
	over := func() bool { return u.bytes[cl] > maxUnacked || u.bytes[cl] > fair && u.all > maxUnackedInAll }
	if !over() {
		return false
	}
	u.all -= u.bytes[cl]
	u.bytes[cl] = 0
	for _, pk := range cl.State.Inflight.GetAll(false) {
		u.bytes[cl] += len(pk.TopicName) + len(pk.Payload)
	}
	u.all += u.bytes[cl]
	return over()
}
