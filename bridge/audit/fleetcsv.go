package audit

import (
	"context"
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"bayfill/bridge/influxql"
)

// fleetFields are the fields of a closing record that a row and the charts have.
var fleetFields = []string{
	"job", "phase", "fluid", "opened_ns", "drained_l", "drained_u_l", "added_l", "added_u_l", "balance_l", "balance_u_l",
	"target_l", "target_u_l", "typical_l", "low_c", "high_c", "level", "level_window", "level_c", "changes",
	"check_slope", "check_slope_u", "check_slope_sensor", "check_zero_kg", "check_zero_u_kg", "check_zero_sensor", "check_balance", "check_balance_u",
	"caddy_slope", "caddy_calibrated_ns", "supply_slope", "supply_calibrated_ns", "seq", "fold",
}

// WriteFleetCSV writes a row for each job that the query selects, abandoned jobs
// included, in order of time. Litres are at the reference temperature of
// the job, u is expanded (k = 2), times are RFC 3339 in UTC. Unknown cells are empty.
// Each row is written as soon as it is read.
func (s *Store) WriteFleetCSV(ctx context.Context, q FleetQuery, w io.Writer) error {
	out := csv.NewWriter(w)
	head := []string{"shop", "cart", "ended"}
	for _, name := range fleetFields {
		head = append(head, strings.TrimSuffix(name, "_ns"))
	}
	if err := out.Write(append(head, "balance_ml", "balance_against", "drained_to_typical", "level_judged")); err != nil {
		return err
	}
	schema, err := s.schema(ctx)
	if err != nil {
		return err
	}
	records := q.closingRecords(schema, fleetFields)
	records.InTime = []string{"shop", "cart"}
	err = s.rows(ctx, records, func(r *influxql.Row) error {
		c := closingOf(r)
		row := []string{cell(c.Shop), cell(c.Cart), rfc3339Nano(c.EndsNs)}
		for _, name := range fleetFields {
			v := r.Fields[name]
			if ns, ok := v.(int64); ok && strings.HasSuffix(name, "_ns") {
				v = rfc3339Nano(ns)
			}
			row = append(row, cell(v))
		}
		ml, against := c.balance()
		return out.Write(append(row, cell(ml), against, cell(c.refill()), string(c.level())))
	})
	out.Flush()
	if err != nil {
		return err
	}
	return out.Error()
}

func rfc3339Nano(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339Nano) }

// cell formats a value. A text that a spreadsheet would take for a formula gets an
// apostrophe in front.
func cell(v any) string {
	switch v := v.(type) {
	case string:
		if v != "" && strings.ContainsRune("=+-@\t\r", rune(v[0])) {
			return "'" + v
		}
		return v
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		if isNumber(v) {
			return strconv.FormatFloat(v, 'g', -1, 64)
		}
	}
	return ""
}
