package audit

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"bayfill/bridge/config"
	"bayfill/bridge/influxql"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
)

// Store reads the history in InfluxDB.
type Store struct {
	client influxdb2.Client
	reader *influxql.Client
	config config.History // Erase and Keep write there

	Cart string // the only one whose jobs Record finds; empty: of all
}

// OpenStore returns a store for a bucket. It does not connect yet; an error names the
// setting that is wrong.
func OpenStore(c config.History) (*Store, error) {
	token, err := c.Token.Read()
	if err != nil {
		return nil, fmt.Errorf("token: %w", err)
	}
	if c.URL == "" || c.Bucket == "" {
		return nil, words.NewError("record.needs_url")
	}
	options := influxdb2.DefaultOptions().SetHTTPClient(&http.Client{Timeout: 5 * time.Minute}).SetLogLevel(0)
	return newStore(influxdb2.NewClientWithOptions(c.URL, token, options), c), nil
}

func newStore(client influxdb2.Client, c config.History) *Store {
	return &Store{client: client, reader: influxql.New(client, c.Bucket, points.Whole), config: c}
}

// Close closes the connections.
func (s *Store) Close() { s.client.Close() }

// begins is how the name of every measurement begins.
const begins = "bayfill_"

// schema asks for the fields of all measurements.
func (s *Store) schema(ctx context.Context) (influxql.Schema, error) {
	schema, err := s.reader.Schema(ctx, begins)
	if err != nil {
		return nil, words.NewError("record.history", "why", err)
	}
	return schema, nil
}

// Reads tries whether a history can be read. The error says what the server answers.
func Reads(ctx context.Context, c config.History) error {
	s, err := OpenStore(c)
	if err != nil {
		return err
	}
	defer s.Close()
	_, err = s.reader.Schema(ctx, begins)
	return err
}

// rows runs a query on the bucket and calls row with each row of the answer.
func (s *Store) rows(ctx context.Context, q influxql.Query, row func(*influxql.Row) error) error {
	if err := s.reader.Rows(ctx, q, row); err != nil {
		return words.NewError("record.history", "why", err)
	}
	return nil
}

// pointOf converts a row. A tag beyond the contract becomes a field, so that it is found.
func pointOf(r *influxql.Row) (p points.Point, shop, cart string) {
	p = points.Point{Measurement: r.Measurement, AtNs: r.AtNs, Fields: r.Fields}
	for name, text := range r.Tags {
		switch name {
		case "shop":
			shop = text
		case "cart":
			cart = text
		case "sensor":
			p.Sensor = text
		default:
			for p.Fields[name] != nil {
				name = "tag " + name
			}
			p.Fields[name] = text
		}
	}
	return p, shop, cart
}

// Summary is the closing record of a job with its place in the history.
type Summary struct {
	Shop, Cart, Job  string
	OpenedNs, EndsNs int64
	Point            points.Point
}

// Summaries lists the closing records of the jobs that ended in [sinceNs, untilNs), the
// oldest first. When job is not empty, only jobs of that name are listed.
func (s *Store) Summaries(ctx context.Context, sinceNs, untilNs int64, job string) (list []Summary, err error) {
	schema, err := s.schema(ctx)
	if err != nil {
		return nil, err
	}
	q := influxql.Query{From: points.JobMeasurement, Fields: schema[points.JobMeasurement], FromNs: sinceNs, UntilNs: untilNs}
	if job != "" {
		q.Where = append(q.Where, influxql.Holds("job", job)) // fewer to read; the name itself decides
	}
	err = s.rows(ctx, q, func(r *influxql.Row) error {
		p, shop, cart := pointOf(r)
		if one := SummaryOf(p, shop, cart); job == "" || one.Job == job {
			list = append(list, one)
		}
		return nil
	})
	slices.SortStableFunc(list, func(a, b Summary) int { return cmp.Compare(a.EndsNs, b.EndsNs) })
	return list, err
}

// SummaryOf is a closing record as the history and journals keep it.
func SummaryOf(p points.Point, shop, cart string) Summary {
	s := Summary{Shop: shop, Cart: cart, EndsNs: p.AtNs, Point: p}
	s.Job, _ = p.Fields["job"].(string)
	s.OpenedNs, _ = p.Fields["opened_ns"].(int64)
	return s
}
