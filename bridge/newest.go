package bridge

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"log/slog"
	"maps"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/audit"
	"bayfill/bridge/cart"
	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// askWithin is how long the start waits for what the history and the broker know. Without
// an answer it goes on.
const askWithin = 3 * time.Second

// others asks the history and the broker what they know of the carts' journals.
type others struct {
	config *config.Config
	log    *slog.Logger
	leaves map[string]cart.Newest // by cart, from an external broker
	silent bool                   // the history does not answer
}

// askOthers reads the retained leaves of an external broker. The embedded one keeps none.
func askOthers(ctx context.Context, c *config.Config, to mqtt.Endpoint, log *slog.Logger) *others {
	o := &others{config: c, log: log, leaves: map[string]cart.Newest{}}
	if len(c.Broker.External()) == 0 {
		return o
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	to.ClientID, to.Timeout = "bayfill-start-"+rand.Text()[:12], askWithin
	conn, err := mqtt.Dial(ctx, to)
	if err != nil {
		return o // the link says why
	}
	defer conn.Close()
	var mu sync.Mutex
	hear := func(m mqtt.Message) {
		var v wire.Volumes
		parts := strings.Split(m.Topic, "/")
		if json.Unmarshal(m.Payload, &v) != nil || len(parts) != 4 {
			return
		}
		at, err := time.Parse(time.RFC3339Nano, v.TS)
		if err != nil {
			return
		}
		mu.Lock()
		defer mu.Unlock()
		o.leaves[parts[2]] = cart.Newest{From: "broker", Seq: v.Seq, AtNs: at.UnixNano()}
	}
	if conn.Subscribe(ctx, hear, mqtt.Filter{Topic: "bayfill/" + c.Shop + "/+/" + string(wire.VolumesLeaf), QoS: 1}) != nil {
		return o
	}
	// Retained messages follow the answer to a subscription; a ping comes back after them.
	conn.Ping(ctx, askWithin)
	mu.Lock()
	defer mu.Unlock()
	return &others{config: c, log: log, leaves: maps.Clone(o.leaves)}
}

// newest returns what the history and the broker know of a cart's journal.
func (o *others) newest(ctx context.Context, name string, afterNs int64) (all []cart.Newest) {
	if leaf, known := o.leaves[name]; known && leaf.AtNs > afterNs+int64(cart.Unsaved) {
		all = append(all, leaf)
	}
	if o.config.History.URL == "" || o.silent {
		return all
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	store, err := audit.OpenStore(o.config.History)
	if err != nil {
		return all
	}
	defer store.Close()
	seq, atNs, done, err := store.Newest(ctx, o.config.Shop, name, afterNs, time.Now())
	if err != nil {
		o.silent = true // the other carts do not wait for it too
		o.log.Warn("the history does not say how far it has got, so the journal is not compared with it", "error", err)
		return all
	}
	return append(all, cart.Newest{From: "history", Seq: seq, AtNs: atNs, Done: done})
}
