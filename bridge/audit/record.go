package audit

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/influxql"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Record is everything that is kept of one job: the points from its opening to its
// end, in the order in which they were read, and its closing record.
type Record struct {
	Shop, Cart, Job string
	From            string // the bucket or the file that it was read from
	Points          []points.Point
	Summary         *points.Point // nil when there is none
	NoNames         error         // why there are only tokens; nil otherwise
	SameName        []int64       // when the other jobs with this name were opened
	NewestSeq       uint64        // of the newest event that the witness of a journal knows of
}

// ErrNoJob is returned when nothing is kept of a job.
var ErrNoJob = errors.New("no such job")

// Record fetches a job from the history: the newest job of that name, or the one that
// was opened in the millisecond of openedNs when that is not 0. A job without a closing
// record is found by the command that opened it. The error wraps [ErrNoJob] when there
// is no such job.
func (s *Store) Record(ctx context.Context, job string, openedNs int64) (*Record, error) {
	all, err := s.Summaries(ctx, 0, math.MaxInt64, job)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		if all, err = s.openings(ctx, job); err != nil {
			return nil, err
		}
	}
	all = slices.DeleteFunc(all, func(its Summary) bool { return s.Cart != "" && its.Cart != s.Cart })
	at := len(all) - 1
	for openedNs != 0 && at >= 0 && all[at].OpenedNs/1e6 != openedNs/1e6 {
		at--
	}
	if at < 0 {
		key, times := "record.no_such_job", openedTimes(all)
		if times != "" {
			key = "record.no_such_opening"
		}
		return nil, words.NewError(key, "job", job, "place", s.config.Bucket, "times", times, "why", ErrNoJob)
	}
	r, err := s.fetch(ctx, all[at])
	if r != nil {
		for _, other := range slices.Delete(all, at, at+1) {
			r.SameName = append(r.SameName, other.OpenedNs)
		}
	}
	return r, err
}

// fetch reads all points of a job.
func (s *Store) fetch(ctx context.Context, chosen Summary) (*Record, error) {
	r := &Record{Shop: chosen.Shop, Cart: chosen.Cart, Job: chosen.Job, From: s.config.Bucket}
	if chosen.Point.Measurement != "" {
		r.Summary = &chosen.Point
	}
	schema, err := s.schema(ctx)
	if err != nil {
		return nil, err
	}
	for _, measurement := range []string{points.ReadingMeasurement, points.InputMeasurement, points.VolumeMeasurement, points.WindowMeasurement} {
		q := influxql.Query{From: measurement, Fields: schema[measurement], Where: of(r.Shop, r.Cart), FromNs: chosen.OpenedNs, UntilNs: chosen.EndsNs + 1}
		if err := s.rows(ctx, q, func(row *influxql.Row) error {
			p, _, _ := pointOf(row)
			r.Points = append(r.Points, p)
			return nil
		}); err != nil {
			return nil, err
		}
	}
	if r.Summary == nil {
		r.endWithJob()
	}
	return r, nil
}

// of is the condition that a point is of a cart.
func of(shop, cart string) []influxql.Condition {
	return []influxql.Condition{influxql.Is("shop", shop), influxql.Is("cart", cart)}
}

func openedTimes(all []Summary) string {
	var times []string
	for _, s := range all {
		times = append(times, clock(s.OpenedNs))
	}
	return strings.Join(times, ", ")
}

// openings finds jobs by the command that opened them. The query is a coarse filter
// over the text of the inputs; the decoded input decides.
func (s *Store) openings(ctx context.Context, job string) (list []Summary, err error) {
	schema, err := s.schema(ctx)
	if err != nil {
		return nil, err
	}
	q := influxql.Query{
		From: points.InputMeasurement, Fields: schema.Fields(points.InputMeasurement, "body"), UntilNs: math.MaxInt64,
		Where: []influxql.Condition{influxql.Holds("body", `"do":"open"`), influxql.Holds("body", `"id":`+asJSON(job))},
	}
	err = s.rows(ctx, q, func(row *influxql.Row) error {
		p, shop, cart := pointOf(row)
		p.Fields["seq"] = int64(1)
		if e, err := p.Event(); err == nil && e.Input.Do == fillcalc.DoOpen && e.Input.Job != nil && e.Input.Job.ID == job {
			list = append(list, Summary{Shop: shop, Cart: cart, Job: job, OpenedNs: p.AtNs, EndsNs: math.MaxInt64 - 1})
		}
		return nil
	})
	slices.SortStableFunc(list, func(a, b Summary) int { return cmp.Compare(a.OpenedNs, b.OpenedNs) })
	return list, err
}

// asJSON returns a value as JSON has it. It must be one that can always be encoded, as a text.
func asJSON(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// endWithJob removes the points after the end of a job without a closing record.
func (r *Record) endWithJob() {
	endNs := int64(math.MaxInt64)
	for i := range r.Points {
		p := &r.Points[i]
		if e, err := p.Event(); err == nil && e.Input != nil && (e.Input.Do == fillcalc.DoClose || e.Input.Do == fillcalc.DoAbandon) {
			endNs = min(endNs, p.AtNs)
		}
	}
	r.Points = slices.DeleteFunc(r.Points, func(p points.Point) bool { return p.AtNs > endNs })
}

// FromJournal reads a job from the journal file of a cart: the newest job of that
// name, or the one that was opened in the millisecond of openedNs when that is not 0.
// It only reads the file, so the program may be running. An empty shop or cart is the one
// on which the job was opened. The error wraps [ErrNoJob] when there is no such job.
func FromJournal(ctx context.Context, path, shop, cart, job string, openedNs int64) (*Record, error) {
	witness := journal.WitnessOf(path) // before the journal, which may go on meanwhile
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	opened, lost, err := j.Opened(ctx)
	if err != nil {
		return nil, err
	}
	opened = slices.DeleteFunc(opened, func(o journal.JobOpening) bool { return o.ID != job })
	at := len(opened) - 1
	for openedNs != 0 && at >= 0 && opened[at].AtNs/1e6 != openedNs/1e6 {
		at--
	}
	if at < 0 {
		return nil, lost.Note(words.NewError("record.no_such_job", "job", job, "place", path, "why", ErrNoJob))
	}
	r := &Record{Shop: shop, Cart: cart, Job: job, From: path, NewestSeq: witness.Seq}
	if err := r.read(ctx, j, opened[at]); err != nil {
		return nil, words.NewError("record.of_job", "job", job, "why", err)
	}
	for _, other := range slices.Delete(opened, at, at+1) {
		r.SameName = append(r.SameName, other.AtNs)
	}
	return r, nil
}

// read reads all points of a job.
func (r *Record) read(ctx context.Context, j *journal.Journal, opened journal.JobOpening) error {
	end, err := j.JobEnd(ctx, opened)
	if err != nil {
		return err
	}
	atNs := map[uint64]int64{}
	known, err := j.Names(ctx)
	r.NoNames = err // no part of the proof
	for from := opened.Seq - 1; from < end; {
		events, err := j.Events(ctx, from, 5000)
		if err != nil {
			return err
		}
		if len(events) == 0 {
			break
		}
		for i := range events {
			e := &events[i]
			if from = e.Seq; from > end {
				break
			}
			p, err := points.Of(e, known)
			if err != nil {
				return err
			}
			atNs[e.Seq] = e.AtNs
			if in := e.Input; e.Seq == opened.Seq && in != nil && in.Setup != nil {
				r.Shop, r.Cart = cmp.Or(r.Shop, in.Setup.Shop), cmp.Or(r.Cart, in.Setup.Cart)
			}
			r.Points = append(r.Points, p)
		}
	}
	published, err := j.PublishedBetween(ctx, opened.Seq-1, end)
	if err != nil {
		return err
	}
	for _, p := range published {
		fields, err := points.ParseFields(p.Fields)
		if err != nil {
			return words.NewError("record.journal", "why", words.NewError("record.published", "event", p.Seq, "why", err))
		}
		point := points.Point{Measurement: p.Measurement, AtNs: atNs[p.Seq], Fields: fields}
		if p.Measurement == points.JobMeasurement {
			r.Summary = &point
			continue
		}
		r.Points = append(r.Points, point)
	}
	return nil
}

// TimeLayout is the layout of times for people. The millisecond of its opening
// identifies a job among others of the same name.
const TimeLayout = "2006-01-02 15:04:05.000 UTC"

func clock(ns int64) string { return time.Unix(0, ns).UTC().Format(TimeLayout) }
