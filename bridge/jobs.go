package bridge

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"bayfill/fillcalc"
)

// JobState is how a cart stood at the last event of a job, or stands while the
// job is open: folded again from what its journal keeps. An empty job is the
// newest, and so is of several jobs of one name. The program may be running. The
// error names the carts, or the jobs that there are.
func (c *Config) JobState(ctx context.Context, cart, job string) (fillcalc.State, error) {
	var carts []string
	for i := range c.Carts {
		carts = append(carts, c.Carts[i].Name)
	}
	if !slices.Contains(carts, cart) {
		return fillcalc.State{}, fmt.Errorf("cart: there is no %q, the carts are %s", cart, strings.Join(carts, ", "))
	}
	j, err := ReadJournal(c.JournalPath(cart))
	if err != nil {
		return fillcalc.State{}, err
	}
	defer j.Close()
	return j.jobState(ctx, job)
}

// openedJob is a job of which the journal still has the beginning; of the one in
// the snapshot that may be gone, and seq is 0.
type openedJob struct {
	id  string
	seq uint64
}

func (j *Journal) jobState(ctx context.Context, job string) (fillcalc.State, error) {
	none := fillcalc.State{}
	snapshot, err := j.snapshot()
	if err != nil {
		return none, err
	}
	opened, err := j.opened(ctx)
	if err != nil {
		return none, err
	}
	if last := snapshot.Job.Spec.ID; last != "" && !slices.ContainsFunc(opened, func(o openedJob) bool { return o.id == last }) {
		opened = slices.Insert(opened, 0, openedJob{id: last})
	}
	at := len(opened) - 1
	for job != "" && at >= 0 && opened[at].id != job {
		at--
	}
	switch {
	case len(opened) == 0:
		return none, fmt.Errorf("job: the journal has none")
	case at < 0:
		return none, fmt.Errorf("job: the journal has no %q, it has %s", job, jobNames(opened))
	}
	wanted := opened[at]
	gone := fmt.Errorf("job: of %q the journal does not keep all readings, see the history; it has %s", wanted.id, jobNames(opened))

	s, ended := none, false
	if snapshot.Job.Spec.ID == wanted.id && snapshot.Seq >= wanted.seq {
		// One from after its end may have another setup.
		ended = !snapshot.Job.Phase.Open() && snapshot.Job.PhaseNs == snapshot.NowNs
		if ended || snapshot.Job.Phase.Open() {
			s = snapshot
		}
	}
	for !ended {
		events, err := j.Events(ctx, s.Seq, 5000)
		if err != nil {
			return none, err
		}
		if len(events) == 0 {
			break
		}
		for i := range events {
			if events[i].Seq != s.Seq+1 {
				s = none // after a hole all is known again from the next start on
			}
			if events[i].Seq >= wanted.seq && s.ScaleN == 0 {
				return none, gone
			}
			s = fillcalc.Apply(s, events[i])
			if ended = s.Seq >= wanted.seq && !s.Job.Phase.Open(); ended {
				break
			}
		}
	}
	if s.Seq < wanted.seq || s.Job.Spec.ID != wanted.id {
		return none, gone
	}
	return s, nil
}

// opened lists the jobs whose beginning is kept, the oldest first.
func (j *Journal) opened(ctx context.Context) (list []openedJob, err error) {
	rows, err := j.db.QueryContext(ctx, "SELECT seq, input FROM event WHERE input ->> 'do' = 'open' ORDER BY seq")
	if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var seq int64
		var text string
		var in fillcalc.Input
		if err := rows.Scan(&seq, &text); err != nil {
			return nil, fmt.Errorf("journal: %w", err)
		}
		if err := json.Unmarshal([]byte(text), &in); err != nil || in.Job == nil {
			return nil, fmt.Errorf("journal: event %d opens no job: %w", seq, err)
		}
		list = append(list, openedJob{in.Job.ID, uint64(seq)})
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	return list, nil
}

// jobNames lists the newest jobs.
func jobNames(opened []openedJob) string {
	const most = 20
	var names []string
	for _, o := range slices.Backward(opened) {
		if len(names) == most {
			names = append(names, "older ones")
			break
		}
		names = append(names, o.id)
	}
	return strings.Join(names, ", ")
}

// JobSpan is which events of a journal belong to a job: from its opening to its
// end, or to the newest event while it is open.
type JobSpan struct {
	From, To uint64
	OpenedNs int64
}

// JobSpans lists the jobs of a name, or all of them when it is empty, the oldest
// first. Jobs of which the journal does not keep the beginning are left out.
func (j *Journal) JobSpans(ctx context.Context, job string) (spans []JobSpan, err error) {
	opened, err := j.opened(ctx)
	if err != nil {
		return nil, err
	}
	for _, o := range opened {
		if job != "" && o.id != job {
			continue
		}
		span := JobSpan{From: o.seq}
		err := j.db.QueryRowContext(ctx, `SELECT at_ns, coalesce(
			(SELECT min(seq) FROM published WHERE seq > ?1 AND measurement = ?2),
			(SELECT min(seq) FROM event WHERE seq > ?1 AND input ->> 'do' IN ('close', 'abandon')),
			(SELECT max(seq) FROM event)) FROM event WHERE seq = ?1`, int64(o.seq), jobMeasurement).Scan(&span.OpenedNs, &span.To)
		if err != nil {
			return nil, fmt.Errorf("journal: %w", err)
		}
		spans = append(spans, span)
	}
	return spans, nil
}
