package board

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/wire"
)

// client is the board's connection to the broker.
//
// As in the bridge, the library is not allowed to reconnect, since it would send
// what was unfinished again: each connection is a new client.
type client struct {
	broker, username, password string
	tls                        *tls.Config
	shop                       string // or + for all
	mayCommand                 bool
	signer                     *wire.Signer
	replyWithin                time.Duration
	hub                        *hub

	mu      sync.Mutex
	current mqtt.Client // nil while there is no connection
	replies map[string]chan wire.Reply
}

const (
	patience   = 5 * time.Second
	firstRetry = time.Second
	lastRetry  = 5 * time.Second

	// A broker that has gone without a word must be noticed within three seconds:
	// by asking it once a second, and giving it a little more to answer.
	askEvery  = time.Second
	askWithin = 1200 * time.Millisecond

	// A reply comes within replyWithin, or the command or the reply was lost. The same
	// id is then sent again, which does it at most once.
	replyWithin = 2 * time.Second
	sendTimes   = 3
)

// neverSubscribed is what the broker is asked to end. It must answer that, needs
// no rights for it and changes nothing (MQTT 3.1.1, 3.10.4); a keep-alive as short
// would have the broker throw out a board that was busy for a second.
const neverSubscribed = "bayfill/board"

// run keeps a connection until ctx ends.
func (c *client) run(ctx context.Context) {
	retry := firstRetry
	for ctx.Err() == nil {
		began := time.Now()
		err := c.connection(ctx)
		if ctx.Err() != nil {
			return
		}
		c.hub.linked(false, err.Error(), time.Now())
		if time.Since(began) > 30*time.Second {
			retry = firstRetry
		}
		select {
		case <-ctx.Done():
		case <-time.After(retry):
		}
		retry = min(2*retry, lastRetry)
	}
}

// connection is one client from connect to loss.
func (c *client) connection(ctx context.Context) error {
	gone := make(chan error, 1)
	o := mqtt.NewClientOptions().AddBroker(c.broker).SetClientID("bayfill-board-" + rand.Text()[:12])
	o.SetUsername(c.username).SetPassword(c.password).SetTLSConfig(c.tls)
	o.SetProtocolVersion(4).SetCleanSession(true).SetOrderMatters(true)
	o.SetAutoReconnect(false).SetConnectRetry(false)
	o.SetKeepAlive(10 * time.Second).SetPingTimeout(patience).SetWriteTimeout(patience).SetConnectTimeout(patience)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { gone <- err })
	m := mqtt.NewClient(o)
	defer m.Disconnect(0)
	if err := finish(ctx, m.Connect(), 2*patience); err != nil {
		return err
	}
	// Before the first message: what an earlier connection brought is not live.
	c.hub.linked(true, "", time.Now())

	prefix := "bayfill/" + c.shop + "/+/"
	filters := map[string]byte{}
	for _, leaf := range []wire.Leaf{wire.PresenceLeaf, wire.AboutLeaf, wire.JobLeaf, wire.VolumesLeaf, wire.WindowLeaf, wire.AlertsLeaf} {
		filters[prefix+string(leaf)] = 1
	}
	if c.mayCommand {
		filters[prefix+string(wire.RepliesLeaf)+"/+"] = 1
	}
	subscription := m.SubscribeMultiple(filters, c.receive)
	if err := finish(ctx, subscription, 2*patience); err != nil {
		return fmt.Errorf("subscribing: %w", err)
	}
	if s, ok := subscription.(*mqtt.SubscribeToken); ok {
		for filter, answer := range s.Result() {
			if answer > 2 { // the library takes the refusal for success
				return fmt.Errorf("the broker does not let this user read %s: give it the right to", filter)
			}
		}
	}
	c.use(m)
	defer c.use(nil)
	ask := time.NewTicker(askEvery)
	defer ask.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-gone:
			return err
		case <-ask.C:
			if err := finish(ctx, m.Unsubscribe(neverSubscribed), askWithin); err != nil {
				return fmt.Errorf("it no longer answers: %w", err)
			}
		}
	}
}

func (c *client) use(m mqtt.Client) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.current = m
}

// finish waits for a token with ctx and a limit: some never end by themselves.
func finish(ctx context.Context, token mqtt.Token, within time.Duration) error {
	select {
	case <-token.Done():
		return token.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(within):
		return errors.New("no answer")
	}
}

// receive runs on the library's own goroutine and must not wait.
func (c *client) receive(_ mqtt.Client, m mqtt.Message) {
	_, id, isReply := strings.Cut(m.Topic(), "/"+string(wire.RepliesLeaf)+"/")
	if !isReply {
		c.hub.receive(m.Topic(), m.Payload(), m.Retained(), time.Now())
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	var r wire.Reply
	if answer := c.replies[m.Topic()]; answer != nil && json.Unmarshal(m.Payload(), &r) == nil && r.ID != nil && *r.ID == id {
		answer <- r
		delete(c.replies, m.Topic())
	}
}

// command sends a press to a cart and waits for its reply. The error is for the
// person at the button.
func (c *client) command(ctx context.Context, shop, cart string, p map[string]json.RawMessage) error {
	id := "board-" + rand.Text()
	p["id"], p["by"] = wire.Encode(id), wire.Encode("board")
	payload := wire.Encode(p)
	prefix := "bayfill/" + shop + "/" + cart + "/"
	topic := prefix + string(wire.RepliesLeaf) + "/" + id
	payload = c.signer.Sign(prefix+string(wire.CommandsLeaf), payload)
	answer := make(chan wire.Reply, 1)
	c.mu.Lock()
	c.replies[topic] = answer
	m := c.current
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		delete(c.replies, topic)
	}()
	if m == nil {
		return errors.New("not sent: the broker is away")
	}
	for range sendTimes {
		if err := finish(ctx, m.Publish(prefix+string(wire.CommandsLeaf), 1, false, payload), c.replyWithin); err != nil {
			break // it may have arrived all the same
		}
		select {
		case r := <-answer:
			if !r.OK {
				return fmt.Errorf("refused: %s", r.Error)
			}
			return nil
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(c.replyWithin):
		}
	}
	return errors.New("no answer: it may have been done or not, look at the page before you press again (does the bridge run, and may this board's user command?)")
}
