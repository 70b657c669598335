package board

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"time"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// client is the board's connection to the broker.
type client struct {
	endpoint    mqtt.Endpoint
	shop        string // or + for all
	mayCommand  bool
	signer      *wire.Signer
	replyWithin time.Duration
	hub         *hub

	rewatch chan struct{} // receives when watched has changed

	mu      sync.Mutex
	watched map[string]int // open pages of each shop, on a board for all shops
	conn    *mqtt.Conn     // nil while there is none
	replies map[string]chan wire.Reply
}

const (
	// A broker that fails silently must be noticed within three seconds: the board
	// pings it once a second and gives it a little longer to answer.
	pingEvery  = time.Second
	pingWithin = 1200 * time.Millisecond

	// A reply comes within replyWithin, or the command or the reply was lost. The same
	// id is then sent again, which does it at most once.
	replyWithin = 2 * time.Second
	sendTimes   = 3
)

// run keeps a connection until ctx ends.
func (c *client) run(ctx context.Context) {
	mqtt.Keep(ctx, c.endpoint, c.use, func(err *mqtt.PlaceError) { c.hub.linked(false, err.Error(), time.Now()) })
}

// use shows what comes over a connection, and offers it to commands, until it is lost.
func (c *client) use(ctx context.Context, conn *mqtt.Conn) error {
	// Before the first message: what an earlier connection brought is not live.
	c.hub.linked(true, "", time.Now())
	filters := filtersOf(c.shop, wire.StateLeaves)
	if c.shop == "+" {
		filters = filtersOf(c.shop, indexLeaves)
	}
	if c.mayCommand {
		filters = append(filters, mqtt.Filter{Topic: "bayfill/" + c.shop + "/+/" + string(wire.RepliesLeaf) + "/+", QoS: 1})
	}
	if err := conn.Subscribe(ctx, c.receive, filters...); err != nil {
		return err
	}
	c.setConn(conn)
	defer c.setConn(nil)
	subscribed := map[string]bool{}
	ping := time.NewTicker(pingEvery)
	defer ping.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-conn.Lost():
			return conn.Err()
		case <-c.rewatch:
			if err := c.follow(ctx, conn, subscribed); err != nil {
				return err
			}
		case <-ping.C:
			if err := conn.Ping(ctx, pingWithin); err != nil {
				return fmt.Errorf("it no longer answers: %w", err)
			}
		}
	}
}

func (c *client) setConn(conn *mqtt.Conn) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.conn = conn
	c.signal()
}

// receive runs on the library's own goroutine and must not wait.
func (c *client) receive(m mqtt.Message) {
	_, id, isReply := strings.Cut(m.Topic, "/"+string(wire.RepliesLeaf)+"/")
	if !isReply {
		c.hub.receive(m.Topic, m.Payload, m.Retained, time.Now())
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	var r wire.Reply
	if answer := c.replies[m.Topic]; answer != nil && json.Unmarshal(m.Payload, &r) == nil && r.ID != nil && *r.ID == id {
		answer <- r
		delete(c.replies, m.Topic)
	}
}

// command sends a press to a cart and waits for its reply. The error is a
// [fillcalc.Refusal] when no reply can come.
func (c *client) command(ctx context.Context, shop, cart string, p map[string]json.RawMessage) (r wire.Reply, err error) {
	id := "board-" + rand.Text()
	p["id"] = wire.Encode(id)
	payload := wire.Encode(p)
	prefix := "bayfill/" + shop + "/" + cart + "/"
	topic := prefix + string(wire.RepliesLeaf) + "/" + id
	payload = c.signer.Sign(prefix+string(wire.CommandsLeaf), payload)
	answer := make(chan wire.Reply, 1)
	c.mu.Lock()
	c.replies[topic] = answer
	conn := c.conn
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		delete(c.replies, topic)
	}()
	if conn == nil {
		return r, &fillcalc.Refusal{Text: fillcalc.Text{Key: "bay.not_sent"}}
	}
	for range sendTimes {
		limited, cancel := context.WithTimeout(ctx, c.replyWithin)
		err := conn.Publish(limited, mqtt.Message{Topic: prefix + string(wire.CommandsLeaf), Payload: payload, QoS: 1})
		cancel()
		if err != nil {
			break // it may have arrived all the same
		}
		select {
		case r = <-answer:
			return r, nil
		case <-ctx.Done():
			return r, ctx.Err()
		case <-time.After(c.replyWithin):
		}
	}
	return r, &fillcalc.Refusal{Text: fillcalc.Text{Key: "bay.no_answer"}}
}
