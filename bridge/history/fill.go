package history

import (
	"context"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

// Filled is the progress of filling a history.
type Filled struct {
	Events, Of uint64 // sent, and in the journal
	Points     int    // that the history has accepted
	Refused    []journal.Refused
}

// Fill sends everything in a journal to a history, again or for the first time. The
// program may be running. A point that exists already is replaced by the same point.
// report is called after each batch. After an error, what was sent stays; another call
// begins from the start, which does no harm.
func Fill(ctx context.Context, to config.History, shop, cart, path string, report func(Filled)) (done Filled, err error) {
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
	// The bounds are read instead of a count, because a count would fail at a damaged
	// place. Where events were deleted, fewer are sent.
	first, last, err := j.Bounds(ctx)
	if err != nil {
		return done, err
	}
	after := max(first, 1) - 1
	done.Of = last - after
	// A journal whose beginning was deleted may begin in a job.
	selected := Selection{Between: to.BetweenJobs, InJob: first > 1}
	for {
		events, lines, err := Lines(ctx, j, shop, cart, after, 5*forwardBatch, &selected)
		if err != nil {
			return done, err
		}
		if len(events) == 0 {
			return done, nil
		}
		refused, err := h.Send(ctx, lines)
		if err != nil {
			return done, explain(serverError{err})
		}
		last := events[len(events)-1].Seq
		done.Of -= last - after - uint64(len(events))
		after = last
		done.Events += uint64(len(events))
		done.Points += len(lines) - len(refused)
		done.Refused = append(done.Refused, refused...)
		report(done)
	}
}
