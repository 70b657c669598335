package bridge

import (
	"context"
	"fmt"

	"bayfill/fillcalc"
)

// Filled is how far filling a history has got.
type Filled struct {
	Events, Of uint64
	Points     int
	Refused    []Refused
}

// FillHistory sends all that a journal keeps to a history, again or for the first
// time; the program may be running. A point that is there already is replaced by
// itself. tell hears how far it has got, after each batch. An error leaves what was
// sent; running it again goes on from the beginning and does no harm.
func FillHistory(ctx context.Context, to HistoryConfig, shop, cart, journal string, tell func(Filled)) (done Filled, err error) {
	j, err := ReadJournal(journal)
	if err != nil {
		return done, err
	}
	defer j.Close()
	h, err := openHistory(to, 1)
	if err != nil {
		return done, err
	}
	defer h.close()
	// Not counted one by one: a damaged place among them must not stop what lies before.
	// Where events were given up, fewer come.
	var after uint64
	if err := j.db.QueryRowContext(ctx, "SELECT coalesce((SELECT min(seq) FROM event) - 1, 0), coalesce((SELECT max(seq) FROM event), 0)").Scan(&after, &done.Of); err != nil {
		return done, fmt.Errorf("journal: %w", err)
	}
	done.Of -= after
	for {
		events, lines, err := j.lines(ctx, shop, cart, after, 5*forwardBatch)
		if err != nil {
			return done, err
		}
		if len(events) == 0 {
			return done, nil
		}
		refused, err := h.send(ctx, lines)
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

// lines reads up to limit events after a sequence number as lines of the history,
// each with what was published after it.
func (j *Journal) lines(ctx context.Context, shop, cart string, after uint64, limit int) (events []fillcalc.Event, lines []string, err error) {
	if events, err = j.Events(ctx, after, limit); err != nil || len(events) == 0 {
		return nil, nil, err
	}
	published, err := j.PublishedBetween(ctx, after, events[len(events)-1].Seq)
	if err != nil {
		return nil, nil, err
	}
	names, err := j.Names(ctx)
	if err != nil {
		return nil, nil, err
	}
	lines = make([]string, 0, len(events)+len(published))
	for i := range events {
		e := &events[i]
		line, err := lineOf(shop, cart, e, names)
		if err != nil {
			return nil, nil, fmt.Errorf("event %d: %w", e.Seq, err)
		}
		lines = append(lines, line)
		for len(published) > 0 && published[0].Seq <= e.Seq {
			p := published[0]
			published = published[1:]
			lines = append(lines, assemble(p.Measurement, shop, cart, "", p.Fields, e.AtNs))
		}
	}
	return events, lines, nil
}
