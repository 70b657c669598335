package audit

import (
	"context"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"bayfill/bridge/points"
)

// Newest returns the newest event of a cart that the history has after a time: its number,
// 0 when there is none, its time, and the ids of the commands since then. At most the last
// 90 days count.
func (s *Store) Newest(ctx context.Context, shop, cart string, afterNs int64, now time.Time) (seq uint64, atNs int64, done []string, err error) {
	from := max(afterNs+1, now.Add(-90*24*time.Hour).UnixNano())
	to := now.Add(24 * time.Hour).UnixNano()
	if from >= to { // the clock is far behind
		return 0, 0, nil, nil
	}
	times := span(from, to)
	own := " and " + is("shop", shop) + " and " + is("cart", cart)
	events := isOneOf("_measurement", points.ReadingMeasurement, points.InputMeasurement)
	err = s.rows(ctx, pointsIn(times, events+own+" and "+is("_field", "seq"))+`
	|> last() |> group() |> max()`, func(r *query.FluxRecord) error {
		if n, ok := r.Value().(int64); ok && n > 0 {
			seq, atNs = uint64(n), r.Time().UnixNano()
		}
		return nil
	})
	if err != nil || seq == 0 {
		return 0, 0, nil, err
	}
	err = s.rows(ctx, pointsIn(times, is("_measurement", points.InputMeasurement)+own)+pivot, func(r *query.FluxRecord) error {
		p, _, _ := pointOf(r)
		if e, err := p.Event(); err == nil && e.Input.ID != "" {
			done = append(done, e.Input.ID)
		}
		return nil
	})
	return seq, atNs, done, err
}
