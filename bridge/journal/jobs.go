package journal

import (
	"context"
	"slices"
	"strings"

	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// JobState folds a job again from the journal in a file and returns the state at the
// job's last event, or the present state while the job is open. An empty name means
// the newest job; of several jobs with one name it takes the newest. The program may
// be running. The error names the jobs in the journal.
func JobState(ctx context.Context, path, job string) (fillcalc.State, error) {
	j, err := OpenReadOnly(path)
	if err != nil {
		return fillcalc.State{}, err
	}
	defer j.Close()
	return j.JobState(ctx, job)
}

// JobState is the same for an open journal.
func (j *Journal) JobState(ctx context.Context, job string) (fillcalc.State, error) {
	none := fillcalc.State{}
	snapshot, bad, err := j.snapshot()
	if err != nil || bad != nil {
		snapshot = none // the events may still be enough
	}
	opened, lost, err := j.Opened(ctx)
	if err != nil {
		return none, err
	}
	if last := snapshot.Job.Spec.ID; last != "" && !slices.ContainsFunc(opened, func(o JobOpening) bool { return o.ID == last }) {
		opened = slices.Insert(opened, 0, JobOpening{ID: last})
	}
	at := len(opened) - 1
	for job != "" && at >= 0 && opened[at].ID != job {
		at--
	}
	switch {
	case len(opened) == 0:
		return none, lost.Note(words.NewError("record.no_jobs"))
	case at < 0:
		return none, lost.Note(words.NewError("record.no_job", "typed", job, "known", jobNames(opened)))
	}
	wanted := opened[at]
	s, err := j.foldJob(ctx, wanted, snapshot, lost)
	if err != nil {
		return none, err
	}
	if s.Seq < wanted.Seq || s.Job.Spec.ID != wanted.ID {
		return none, lost.Note(words.NewError("record.not_whole", "job", wanted.ID, "known", jobNames(opened)))
	}
	return s, nil
}

// foldJob folds the events up to the end of a job, from the snapshot on if that is of the
// job. The state is of another job or zero when the journal does not hold all events of the
// job.
func (j *Journal) foldJob(ctx context.Context, wanted JobOpening, snapshot fillcalc.State, lost Lost) (s fillcalc.State, err error) {
	ended := false
	if snapshot.Job.Spec.ID == wanted.ID && snapshot.Seq >= wanted.Seq {
		// A snapshot from after the job's end may have another setup.
		ended = !snapshot.Job.Phase.Open() && snapshot.Job.PhaseNs == snapshot.NowNs
		if ended || snapshot.Job.Phase.Open() {
			s = snapshot
		}
	}
	for after := s.Seq; !ended; {
		events, err := j.Events(ctx, after, 5000)
		if past := lost.after(after); err != nil && past != 0 && past < wanted.Seq {
			after = past // continue behind the damage, as behind a gap
			continue
		}
		if err != nil || len(events) == 0 {
			return s, err
		}
		after = events[len(events)-1].Seq
		for i := range events {
			if events[i].Seq != s.Seq+1 {
				s = fillcalc.State{} // after a gap the state is known again from the next start on
			}
			s = fillcalc.Apply(s, events[i])
			if s.Seq >= wanted.Seq && s.ScaleN == 0 {
				return fillcalc.State{}, nil // no start and no opening has given the setup
			}
			if ended = s.Seq >= wanted.Seq && !s.Job.Phase.Open(); ended {
				break
			}
		}
	}
	return s, nil
}

// closing selects the closing records of jobs. The measurement is written out because an
// index of only these rows serves no query with a parameter in its place.
const closing = "measurement = '" + points.JobMeasurement + "'"

// Closings returns the closing records of all jobs that ever ended on the cart, the oldest
// first. They are kept when the job's own events are deleted.
func (j *Journal) Closings(ctx context.Context) (list []points.Point, err error) {
	rows, err := j.DB.QueryContext(ctx, "SELECT seq, fields FROM published WHERE "+closing+" ORDER BY seq")
	if err != nil {
		return nil, failed(words.NewError("record.closings", "why", damage(j.path, err)))
	}
	defer rows.Close()
	for rows.Next() {
		var seq uint64
		var text string
		if err := rows.Scan(&seq, &text); err != nil {
			return nil, failed(words.NewError("record.closings", "why", damage(j.path, err)))
		}
		fields, err := points.ParseFields(text)
		if err != nil {
			return nil, failed(words.NewError("record.closing_after", "event", seq, "why", damaged(j.path, err)))
		}
		p := points.Point{Measurement: points.JobMeasurement, Fields: fields}
		p.AtNs, _ = fields["ended_ns"].(int64)
		list = append(list, p)
	}
	if err := rows.Err(); err != nil {
		return nil, failed(words.NewError("record.closings", "why", damage(j.path, err)))
	}
	return list, nil
}

// jobNames lists the newest jobs for an error message.
func jobNames(opened []JobOpening) string {
	const maxNames = 20
	var names []string
	for _, o := range slices.Backward(opened) {
		if len(names) == maxNames {
			names = append(names, "…")
			break
		}
		names = append(names, o.ID)
	}
	return strings.Join(names, ", ")
}

// JobEnd returns the last event of a job: its end, or the newest event while it is
// open.
func (j *Journal) JobEnd(ctx context.Context, job JobOpening) (seq uint64, err error) {
	err = j.DB.QueryRowContext(ctx, `SELECT coalesce(
		(SELECT min(seq) FROM published WHERE seq >= ?1 AND measurement = ?2),
		(SELECT min(seq) FROM event WHERE seq >= ?1 AND input ->> 'do' IN ('close', 'abandon')),
		(SELECT max(seq) FROM event))`, int64(job.Seq)+1, points.JobMeasurement).Scan(&seq)
	if err != nil {
		return 0, failed(words.NewError("record.after", "event", job.Seq, "why", damage(j.path, err)))
	}
	return seq, nil
}
