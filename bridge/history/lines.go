package history

import (
	"context"
	"fmt"

	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// Lines reads up to limit events after a sequence number. It returns what the selection
// keeps of them also as lines of the history, each followed by the lines of what was
// published after it.
func Lines(ctx context.Context, j *journal.Journal, shop, cart string, after uint64, limit int, selected *Selection) (events []fillcalc.Event, lines []string, err error) {
	if events, err = j.Events(ctx, after, limit); err != nil || len(events) == 0 {
		return nil, nil, err
	}
	published, err := j.PublishedBetween(ctx, after, events[len(events)-1].Seq)
	if err != nil {
		return nil, nil, err
	}
	var known names.Names // only inputs hold tokens
	lines = make([]string, 0, len(events)+len(published))
	for i := range events {
		e := &events[i]
		kept, whole := selected.event(e)
		if kept && e.Input != nil && known == nil {
			if known, err = j.Names(ctx); err != nil {
				return nil, nil, err
			}
		}
		if kept {
			line, err := points.Line(shop, cart, e, known)
			if err != nil {
				return nil, nil, fmt.Errorf("event %d: %w", e.Seq, err)
			}
			lines = append(lines, line)
		}
		for len(published) > 0 && published[0].Seq <= e.Seq {
			p := published[0]
			published = published[1:]
			if !whole && !selected.published(p.Measurement, e.AtNs) {
				continue
			}
			lines = append(lines, points.Assemble(p.Measurement, shop, cart, "", p.Fields, e.AtNs))
		}
	}
	return events, lines, nil
}
