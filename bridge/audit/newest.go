package audit

import (
	"context"
	"time"

	"bayfill/bridge/influxql"
	"bayfill/bridge/points"
)

// Newest returns the newest event of a cart that the history has after a time: its number,
// 0 when there is none, its time, and the ids of the commands since then. At most the last
// 90 days count.
func (s *Store) Newest(ctx context.Context, shop, cart string, afterNs int64, now time.Time) (seq uint64, atNs int64, done []string, err error) {
	schema, err := s.schema(ctx)
	if err != nil {
		return 0, 0, nil, err
	}
	since := func(measurement string) influxql.Query {
		return influxql.Query{
			From: measurement, Where: of(shop, cart), // a clock that is far behind leaves no time between these
			FromNs: max(afterNs+1, now.Add(-90*24*time.Hour).UnixNano()), UntilNs: now.Add(24 * time.Hour).UnixNano(),
		}
	}
	for _, measurement := range []string{points.ReadingMeasurement, points.InputMeasurement} {
		q := since(measurement)
		q.Of, q.Fields = influxql.Last, schema.Fields(measurement, "seq")
		if err := s.rows(ctx, q, func(r *influxql.Row) error {
			if n, ok := r.Fields["seq"].(int64); ok && n > int64(seq) {
				seq, atNs = uint64(n), r.AtNs
			}
			return nil
		}); err != nil {
			return 0, 0, nil, err
		}
	}
	if seq == 0 {
		return 0, 0, nil, nil
	}
	q := since(points.InputMeasurement)
	q.Fields = schema.Fields(points.InputMeasurement, "seq", "body")
	err = s.rows(ctx, q, func(r *influxql.Row) error {
		p, _, _ := pointOf(r)
		if e, err := p.Event(); err == nil && e.Input.ID != "" {
			done = append(done, e.Input.ID)
		}
		return nil
	})
	return seq, atNs, done, err
}
