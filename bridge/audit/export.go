package audit

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"time"

	"bayfill/bridge/history"
	"bayfill/bridge/influxql"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
)

// Format is a file format for points.
type Format string

const (
	LineProtocol Format = "line" // any InfluxDB can import it
	CSV          Format = "csv"  // one row for each field of a point
)

// exportStep is the time that one query fetches, so that months need little memory.
const exportStep = 6 * time.Hour

// Export writes every point in [fromNs, toNs) of one shop and one cart; an empty name
// stands for all. Step by step it calls progress with the time up to which all is
// written, and with the number of points so far.
func (s *Store) Export(ctx context.Context, shop, cart string, fromNs, toNs int64, format Format, out io.Writer, progress func(upToNs int64, points int)) error {
	w := newPointWriter(out, format)
	schema, err := s.schema(ctx)
	if err != nil {
		return err
	}
	points := 0
	for at := fromNs; at < toNs; at += int64(exportStep) {
		end := min(at+int64(exportStep), toNs)
		for _, measurement := range slices.Sorted(maps.Keys(schema)) {
			q := influxql.Query{From: measurement, Fields: schema[measurement], Where: place(shop, cart), FromNs: at, UntilNs: end}
			if err := s.rows(ctx, q, func(row *influxql.Row) error {
				p, shop, cart := pointOf(row)
				points++
				return w.write(&p, shop, cart)
			}); err != nil {
				return err
			}
		}
		progress(end, points)
	}
	return w.end()
}

// place is the condition that a point is of a shop and a cart; an empty name stands for all.
func place(shop, cart string) (where []influxql.Condition) {
	if shop != "" {
		where = append(where, influxql.Is("shop", shop))
	}
	if cart != "" {
		where = append(where, influxql.Is("cart", cart))
	}
	return where
}

// pointWriter writes points in one of the formats.
type pointWriter struct {
	out   io.Writer
	table *csv.Writer // nil for line protocol
}

func newPointWriter(out io.Writer, format Format) *pointWriter {
	w := &pointWriter{out: out}
	if format == CSV {
		w.table = csv.NewWriter(out)
		w.table.Write([]string{"measurement", "shop", "cart", "sensor", "time", "field", "value"})
	}
	return w
}

func (w *pointWriter) write(p *points.Point, shop, cart string) error {
	if w.table == nil {
		_, err := fmt.Fprintln(w.out, p.Line(shop, cart))
		return err
	}
	at := time.Unix(0, p.AtNs).UTC().Format("2006-01-02T15:04:05.000000000Z")
	for _, name := range slices.Sorted(maps.Keys(p.Fields)) {
		text := fmt.Sprint(p.Fields[name])
		switch v := p.Fields[name].(type) {
		case float64:
			text = strconv.FormatFloat(v, 'f', -1, 64)
		case string:
			text = cell(v)
		}
		if err := w.table.Write([]string{cell(p.Measurement), cell(shop), cell(cart), cell(p.Sensor), at, cell(name), text}); err != nil {
			return err
		}
	}
	return nil
}

func (w *pointWriter) end() error {
	if w.table == nil {
		return nil
	}
	w.table.Flush()
	return w.table.Error()
}

// Write writes the points of a job and its closing record.
func (r *Record) Write(out io.Writer, format Format) error {
	w := newPointWriter(out, format)
	points := r.Points
	if r.Summary != nil {
		points = append(points[:len(points):len(points)], *r.Summary)
	}
	for i := range points {
		if err := w.write(&points[i], r.Shop, r.Cart); err != nil {
			return err
		}
	}
	return w.end()
}

// Keep copies every job that ended in [sinceNs, untilNs) to another bucket, with all its
// points, so that jobs can be kept longer than the raw readings between them. After
// each job it calls progress with the number of jobs copied and the number of all.
func (s *Store) Keep(ctx context.Context, to *Store, sinceNs, untilNs int64, progress func(done, of int)) error {
	jobs, err := s.Summaries(ctx, sinceNs, untilNs, "")
	if err != nil {
		return err
	}
	h, err := history.Open(to.config, 1)
	if err != nil {
		return err
	}
	defer h.Close()
	for i, job := range jobs {
		r, err := s.fetch(ctx, job)
		if err != nil {
			return words.NewError("record.of_cart", "job", job.Job, "cart", job.Cart, "why", err)
		}
		points := append(r.Points, *r.Summary)
		for part := range slices.Chunk(points, 5000) {
			lines := make([]string, len(part))
			for k := range part {
				lines[k] = part[k].Line(r.Shop, r.Cart)
			}
			if err := h.SendAll(ctx, lines); err != nil {
				return words.NewError("record.to_bucket", "job", job.Job, "cart", job.Cart, "bucket", to.config.Bucket, "why", err)
			}
		}
		progress(i+1, len(jobs))
	}
	return nil
}
