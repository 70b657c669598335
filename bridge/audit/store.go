package audit

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"bayfill/bridge/config"
	"bayfill/bridge/points"
)

// Store reads the history in InfluxDB.
type Store struct {
	client influxdb2.Client
	query  api.QueryAPI
	write  api.WriteAPIBlocking // for Erase and Keep
	bucket string
}

// OpenStore returns a store for a bucket. It does not connect yet; an error names the
// setting that is wrong.
func OpenStore(c config.History) (*Store, error) {
	token, err := c.Token.Read()
	if err != nil {
		return nil, fmt.Errorf("token: %w", err)
	}
	if c.URL == "" || c.Bucket == "" {
		return nil, fmt.Errorf("url and bucket are needed, as in http://127.0.0.1:8086 and bayfill/autogen")
	}
	options := influxdb2.DefaultOptions().SetHTTPClient(&http.Client{Timeout: 5 * time.Minute}).SetLogLevel(0)
	client := influxdb2.NewClientWithOptions(c.URL, token, options)
	return &Store{client, client.QueryAPI(c.Org), client.WriteAPIBlocking(c.Org, c.Bucket), c.Bucket}, nil
}

// Close closes the connections.
func (s *Store) Close() { s.client.Close() }

// rows runs a query on the bucket and calls row with each record of the answer. q is the
// query after its "from".
func (s *Store) rows(ctx context.Context, q flux, row func(*query.FluxRecord) error) error {
	result, err := s.query.Query(ctx, string("from(bucket: "+quote(s.bucket)+")\n"+q))
	if err != nil {
		return fmt.Errorf("history: %w", err)
	}
	defer result.Close()
	var last *query.FluxRecord
	for result.Next() {
		r := result.Record()
		if r == last { // for a line that is neither table nor comment the library returns the last row again, or none
			return fmt.Errorf("history: its answer is not readable as a table: is the url that of InfluxDB?")
		}
		last = r
		if err := row(r); err != nil {
			return err
		}
	}
	if result.Err() != nil {
		return fmt.Errorf("history: %w", result.Err())
	}
	return nil
}

// pointOf converts a record that was pivoted: each field is a column with its name.
func pointOf(r *query.FluxRecord) (p points.Point, shop, cart string) {
	p = points.Point{Measurement: r.Measurement(), AtNs: r.Time().UnixNano(), Fields: points.Fields{}}
	for name, value := range r.Values() {
		switch name {
		case "shop":
			shop, _ = value.(string)
		case "cart":
			cart, _ = value.(string)
		case "sensor":
			p.Sensor, _ = value.(string)
		case "", "result", "table", "_time", "_measurement":
		default:
			if value != nil {
				p.Fields[name] = value
			}
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
	q := pointsIn(span(sinceNs, untilNs), is("_measurement", points.JobMeasurement)+" and "+ownField) + pivot
	if job != "" {
		q += "\n|> filter(fn: (r) => " + is("job", job) + ")"
	}
	err = s.rows(ctx, q, func(r *query.FluxRecord) error {
		p, shop, cart := pointOf(r)
		list = append(list, SummaryOf(p, shop, cart))
		return nil
	})
	slices.SortStableFunc(list, func(a, b Summary) int { return int(max(-1, min(1, a.EndsNs-b.EndsNs))) })
	return list, err
}

// SummaryOf is a closing record as the history and journals keep it.
func SummaryOf(p points.Point, shop, cart string) Summary {
	s := Summary{Shop: shop, Cart: cart, EndsNs: p.AtNs, Point: p}
	s.Job, _ = p.Fields["job"].(string)
	s.OpenedNs, _ = p.Fields["opened_ns"].(int64)
	return s
}
