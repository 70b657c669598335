package audit

import (
	"context"
	"math"
	"slices"

	"bayfill/bridge/history"
	"bayfill/bridge/influxql"
	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
)

// Erase overwrites the names that belong to a token in the history. The events keep the
// token, so that the chain over them stays valid. It returns the number of points that
// held a name.
func (s *Store) Erase(ctx context.Context, token string) (n int, err error) {
	schema, err := s.schema(ctx)
	if err != nil {
		return 0, err
	}
	q := influxql.Query{
		From: points.InputMeasurement, Fields: schema.Fields(points.InputMeasurement, append([]string{"body"}, names.Fields...)...),
		Where: []influxql.Condition{influxql.Holds("body", asJSON(token))}, UntilNs: math.MaxInt64,
	}
	var lines []string
	err = s.rows(ctx, q, func(row *influxql.Row) error {
		p, shop, cart := pointOf(row)
		p.Fields["seq"] = int64(1)
		e, err := p.Event()
		if err != nil {
			return words.NewError("record.history_input", "cart", cart, "time", clock(p.AtNs), "why", err)
		}
		over := p
		over.Fields = map[string]any{}
		for _, place := range names.Places(e.Input) {
			if text := p.Fields[place.Field]; *place.Token == token && text != nil && text != names.Erased {
				over.Fields[place.Field] = names.Erased
			}
		}
		if len(over.Fields) > 0 {
			lines = append(lines, over.Line(shop, cart))
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	h, err := history.Open(s.config, 1)
	if err != nil {
		return 0, err
	}
	defer h.Close()
	for part := range slices.Chunk(lines, 1000) {
		if err := h.SendAll(ctx, part); err != nil {
			return 0, err
		}
	}
	return len(lines), nil
}
