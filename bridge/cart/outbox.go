package cart

import (
	"bytes"
	"context"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// A link keeps what is to be sent in three places, filled by the loop and by the MQTT
// client, and emptied by the link's goroutine.

// slot is the newest message of a state leaf.
type slot struct {
	payload []byte
	dirty   bool // not sent yet
}

// outgoing is a reply that is to be sent.
type outgoing struct {
	topic   string
	payload []byte
}

const (
	maxReadings = 1000 // waiting for a slow link: a few seconds of several sensors
	maxReplies  = 1024 // brokers hold back about as many commands for a slow reader
)

// set replaces the message of a state leaf.
func (l *link) set(leaf wire.Leaf, payload []byte) {
	l.mu.Lock()
	*l.state[leaf] = slot{payload, true}
	l.mu.Unlock()
	l.signal()
}

// newest returns the newest payload of every state leaf.
func (l *link) newest() map[wire.Leaf]string {
	l.mu.Lock()
	defer l.mu.Unlock()
	all := map[wire.Leaf]string{}
	for leaf, s := range l.state {
		all[leaf] = string(s.payload)
	}
	return all
}

// republish makes every leaf due again.
func (l *link) republish() {
	l.mu.Lock()
	for _, s := range l.state {
		s.dirty = s.payload != nil
	}
	l.mu.Unlock()
	l.signal()
}

// sendReading sends a raw reading at once if nothing waits, without waking the link's
// goroutine. Otherwise it is queued. When the link is slow the oldest half of those that wait
// is dropped; the journal has them. The payload is the caller's again afterwards.
func (l *link) sendReading(payload []byte) {
	l.mu.Lock()
	if len(l.readings) == 0 && !l.flushing && l.try != nil && l.try(mqtt.Message{Topic: l.readingsTopic, Payload: payload}) {
		l.mu.Unlock()
		return
	}
	if len(l.readings) == maxReadings {
		l.readings = append(l.readings[:0], l.readings[maxReadings/2:]...)
	}
	l.readings = append(l.readings, bytes.Clone(payload))
	l.mu.Unlock()
	l.signal()
}

// reply answers a command. When too many replies wait the oldest is dropped: a sender
// without a reply sends its command again under the same id.
func (l *link) reply(id string, r wire.Reply) {
	if r.OK {
		l.count("done")
	} else {
		l.count("refused")
	}
	l.queueReply(id, r)
}

// repeatReply answers a command that was done before.
func (l *link) repeatReply(id string, payload []byte) {
	l.count("repeated")
	l.queue(id, payload)
}

// replyBusy answers a command for which there is no room.
func (l *link) replyBusy(id string) {
	l.count("busy")
	l.queueReply(id, wire.Reply{Error: "busy: too many commands at once, send it again"})
}

// count counts the outcome of a command.
func (l *link) count(outcome string) { l.outcomes.WithLabelValues(outcome).Inc() }

// queueReply queues a reply under the command's id, or under refused when it has none.
func (l *link) queueReply(id string, r wire.Reply) {
	if id == "" {
		id = "refused"
	} else {
		r.ID = &id
	}
	l.queue(id, wire.Encode(r))
}

// queue queues an encoded reply.
func (l *link) queue(id string, payload []byte) {
	l.mu.Lock()
	if len(l.replies) == maxReplies {
		l.replies = l.replies[1:]
	}
	l.replies = append(l.replies, outgoing{l.prefix + string(wire.RepliesLeaf) + "/" + id, payload})
	l.mu.Unlock()
	l.signal()
}

// signal wakes the link's goroutine. One signal is enough, so a second one is dropped.
func (l *link) signal() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// publish sends a message and waits for its acknowledgement.
type publish func(context.Context, mqtt.Message) error

// flush sends everything that is due, in rounds: each leaf that has changed, and then
// the replies that were waiting when the round began. So whoever reads a reply finds
// the leaves as they are after the command, and a leaf that changes faster than a slow
// broker accepts it delays neither the other leaves nor a reply.
func (l *link) flush(ctx context.Context, send publish) error {
	for {
		replies := l.waiting()
		sent := l.flushReadings(ctx, send)
		for _, leaf := range wire.StateLeaves {
			l.mu.Lock()
			s := l.state[leaf]
			payload, due := s.payload, s.dirty
			s.dirty = false
			l.mu.Unlock()
			if !due {
				continue
			}
			sent = true
			// One message at a time: the leaf may change meanwhile, and the next round
			// then sends the newer one.
			if err := send(ctx, mqtt.Message{Topic: l.topic(leaf), Payload: payload, QoS: 1, Retained: true}); err != nil {
				return err
			}
			l.flushReadings(ctx, send)
		}
		if err := l.flushReplies(ctx, send, replies); err != nil {
			return err
		}
		if !sent && replies == 0 {
			return nil
		}
	}
}

// waiting returns the number of replies that wait.
func (l *link) waiting() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.replies)
}

// flushReplies sends the oldest n replies that wait.
func (l *link) flushReplies(ctx context.Context, send publish, n int) error {
	for range n {
		l.mu.Lock()
		reply := l.replies[0]
		l.replies = l.replies[1:]
		l.mu.Unlock()
		if err := send(ctx, mqtt.Message{Topic: reply.topic, Payload: reply.payload, QoS: 1}); err != nil {
			return err
		}
		l.flushReadings(ctx, send)
	}
	return nil
}

// flushReadings sends the raw readings that wait, and reports whether there were any.
func (l *link) flushReadings(ctx context.Context, send publish) bool {
	l.mu.Lock()
	readings := l.readings
	l.readings, l.flushing = nil, len(readings) > 0
	l.mu.Unlock()
	if len(readings) == 0 {
		return false
	}
	for _, r := range readings {
		// A reading that is lost is still in the journal.
		send(ctx, mqtt.Message{Topic: l.readingsTopic, Payload: r})
	}
	l.mu.Lock()
	l.flushing = false
	l.mu.Unlock()
	return true
}
