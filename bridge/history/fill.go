package history

import (
	"context"
	"fmt"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

// Filled is how far filling a history has got.
type Filled struct {
	Events, Of uint64
	Points     int
	Refused    []journal.Refused
}

// FillHistory sends all that a journal keeps to a history, again or for the first
// time; the program may be running. A point that is there already is replaced by
// itself. tell hears how far it has got, after each batch. An error leaves what was
// sent; running it again goes on from the beginning and does no harm.
func Fill(ctx context.Context, to config.History, shop, cart, path string, tell func(Filled)) (done Filled, err error) {
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		return done, err
	}
	defer j.Close()
	h, err := Open(to, 1)
	if err != nil {
		return done, err
	}
	defer h.Close()
	// Not counted one by one: a damaged place among them must not stop what lies before.
	// Where events were given up, fewer come.
	first, last, err := j.Bounds(ctx)
	if err != nil {
		return done, err
	}
	after := max(first, 1) - 1
	done.Of = last - after
	for {
		events, lines, err := Lines(ctx, j, shop, cart, after, 5*forwardBatch)
		if err != nil {
			return done, err
		}
		if len(events) == 0 {
			return done, nil
		}
		refused, err := h.Send(ctx, lines)
		if err != nil {
			return done, fmt.Errorf("%s", explainHistory(serverError{err}))
		}
		last := events[len(events)-1].Seq
		done.Of -= last - after - uint64(len(events))
		after = last
		done.Events += uint64(len(events))
		done.Points += len(lines) - len(refused)
		done.Refused = append(done.Refused, refused...)
		tell(done)
	}
}
