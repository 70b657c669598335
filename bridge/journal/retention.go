package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"time"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Retention has two limits. Events that are older than a time, in the snapshot and in
// the history are deleted (Prune). A history that is away for weeks must not fill the
// disk: beyond the journal's size limit the oldest readings outside jobs are deleted,
// sent or not, with what was published after them (Retain). Jobs are never deleted
// then, because they are computed again from their own events. Neither are inputs,
// except ticks between jobs, whose effect is in the snapshot. When only jobs and
// inputs are left, the journal grows beyond its limit.
//
// The closing records of jobs are never deleted: they say what the shop has used and what
// is usual in it, and each takes about a kilobyte.
//
// Nothing needs the deleted events. A job's opening contains the setup, and
// its chain begins with the head in its closing record. The head over all events is a
// mark, which is never computed again from events. Forwarder, fill and audit go by
// sequence number, whatever is missing in between.

// PieceEvents is the max number of events that one transaction examines and deletes.
// It is bounded because the cart's writes wait for the transaction, and above the
// number of events in a batch, so that deleting keeps up with writing.
const PieceEvents = 4000

// boundaries selects where jobs begin and end.
const boundaries = "SELECT seq, input ->> 'do' FROM event WHERE seq > ? AND seq <= ? AND input ->> 'do' IN ('open', 'close', 'abandon') ORDER BY seq"

// deletable selects the readings and ticks in a range of events.
const deletable = "seq BETWEEN ? AND ? AND (input IS NULL OR input ->> 'do' = 'tick')"

// examined is the mark of retention: the last event, counted from the oldest on, that
// it has examined, and whether the next event belongs to a job.
type examined struct {
	Seq   uint64 `json:"seq"`
	InJob bool   `json:"in_job"`
}

const (
	examinedMark = "retention"
	givenUpMark  = "given_up"
)

// stretch is a range of events, both ends included.
type stretch struct{ from, to uint64 }

// Prune deletes what is older than a time and no longer needed: events that the
// snapshot covers and, with a history, that the history has; what was published after
// them, except closing records; and answers, which are kept as long as events. It deletes at most
// [PieceEvents] events; more says that it should be called again.
func (j *Journal) Prune(ctx context.Context, olderThan time.Time, snapshotSeq uint64, history bool) (more bool, err error) {
	upTo := snapshotSeq
	if history {
		sent, _, err := j.Sent()
		if err != nil {
			return false, err
		}
		upTo = min(upTo, sent)
	}
	at, err := j.examined()
	if err != nil {
		return false, err
	}
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return false, failed(err)
	}
	defer tx.Rollback()
	var last sql.NullInt64
	var n int
	// Only among the oldest: a search for the newest old event would read all events.
	if err := tx.QueryRow("SELECT max(seq), count(*) FROM (SELECT seq, at_ns FROM event WHERE seq <= ? ORDER BY seq LIMIT ?) WHERE at_ns < ?",
		int64(upTo), PieceEvents, olderThan.UnixNano()).Scan(&last, &n); err != nil {
		return false, failed(err)
	}
	if !last.Valid {
		return false, nil
	}
	if uint64(last.Int64) > at.Seq {
		if _, err := at.advance(tx, uint64(last.Int64)); err != nil {
			return false, failed(err)
		}
	}
	for _, statement := range []struct {
		query string
		arg   int64
	}{
		{"DELETE FROM published WHERE seq <= ? AND NOT (" + closing + ")", last.Int64},
		{"DELETE FROM event WHERE seq <= ?", last.Int64},
		{"DELETE FROM answer WHERE at_ns < ?", olderThan.UnixNano()},
	} {
		if _, err := tx.Exec(statement.query, statement.arg); err != nil {
			return false, failed(err)
		}
	}
	return n == PieceEvents, tx.Commit()
}

// examined reads the mark.
func (j *Journal) examined() (at examined, err error) {
	text, err := j.Mark(examinedMark)
	if err != nil {
		return at, err
	}
	if text != "" {
		if err := json.Unmarshal([]byte(text), &at); err != nil {
			return at, failed(words.NewError("record.mark", "mark", examinedMark, "why", damaged(j.path, err)))
		}
	}
	var first uint64
	if err := j.DB.QueryRow("SELECT coalesce(min(seq), 0) FROM event").Scan(&first); err != nil {
		return at, failed(damage(j.path, err))
	}
	if first > at.Seq+1 {
		// Events were deleted by other means. The first one left may belong to a job, so
		// it counts as part of one until a job ends or opens.
		at = examined{Seq: first - 1, InJob: true}
	}
	return at, nil
}

// advance moves the mark to an event and returns the ranges on the way that lie
// outside jobs.
func (at *examined) advance(tx *sql.Tx, upTo uint64) (outside []stretch, err error) {
	rows, err := tx.Query(boundaries, int64(at.Seq), int64(upTo))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	from := at.Seq + 1
	for rows.Next() {
		var seq int64
		var do fillcalc.Do
		if err := rows.Scan(&seq, &do); err != nil {
			return nil, err
		}
		if opens := do == fillcalc.DoOpen; opens && !at.InJob {
			outside = append(outside, stretch{from, uint64(seq) - 1})
		} else if !opens {
			from = uint64(seq) + 1
		}
		at.InJob = do == fillcalc.DoOpen
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	if !at.InJob {
		outside = append(outside, stretch{from, upTo})
	}
	at.Seq = upTo
	text, err := json.Marshal(at)
	if err != nil {
		return nil, err
	}
	return outside, SetMark(tx, examinedMark, string(text))
}

// GivenUp counts the readings that were deleted before a history had them.
type GivenUp struct {
	Readings int64 `json:"readings"`
	FromNs   int64 `json:"from_ns"` // event time of the oldest, nanoseconds since 1970 UTC
	ToNs     int64 `json:"to_ns"`   // event time of the newest
	LastNs   int64 `json:"last_ns"` // when the last of them was deleted
}

// GivenUp returns the count that the journal keeps.
func (j *Journal) GivenUp() (g GivenUp, err error) {
	text, err := j.Mark(givenUpMark)
	if err != nil || text == "" {
		return g, err
	}
	if err := json.Unmarshal([]byte(text), &g); err != nil {
		return g, failed(words.NewError("record.mark", "mark", givenUpMark, "why", damaged(j.path, err)))
	}
	return g, nil
}

// Usage is a journal's size against its limit.
type Usage struct {
	Waiting  int64 // bytes of what no history has yet, an estimate
	Lost     int64 // readings that this call has given up
	GivenUp  GivenUp
	More     bool // there is more to delete: call again
	JobsOnly bool // beyond the limit, and nothing is left that may be deleted
}

// Retain deletes at most [PieceEvents] events when the journal takes more than maxBytes,
// and only events that the snapshot covers. The count of what was given up starts again
// when nothing has been given up for keep.
func (j *Journal) Retain(ctx context.Context, maxBytes int64, snapshotSeq uint64, nowNs int64, keep time.Duration) (r Usage, err error) {
	if r.GivenUp, err = j.GivenUp(); err != nil {
		return r, err
	}
	// The forwarder may move this mark meanwhile. Then a few readings that the history
	// has just taken are counted as given up.
	sent, _, err := j.Sent()
	if err != nil {
		return r, err
	}
	at, err := j.examined()
	if err != nil {
		return r, err
	}
	used, err := j.Used()
	if err != nil {
		return r, err
	}
	if used > maxBytes && at.Seq < snapshotSeq {
		tx, err := j.DB.BeginTx(ctx, nil)
		if err != nil {
			return r, failed(err)
		}
		defer tx.Rollback()
		if err := r.delete(tx, &at, min(at.Seq+PieceEvents, snapshotSeq), sent, nowNs, keep); err != nil {
			return r, failed(damage(j.path, err))
		}
		if err := tx.Commit(); err != nil {
			return r, failed(err)
		}
		if used, err = j.Used(); err != nil {
			return r, err
		}
	}
	r.More = used > maxBytes && at.Seq < snapshotSeq
	r.JobsOnly = used > maxBytes && at.Seq >= snapshotSeq
	var newest uint64
	if err := j.DB.QueryRow("SELECT coalesce(max(seq), 0) FROM event").Scan(&newest); err != nil {
		return r, failed(damage(j.path, err))
	}
	switch {
	case sent >= newest:
	case sent <= at.Seq:
		r.Waiting = used
	default:
		r.Waiting = int64(float64(used) * float64(newest-sent) / float64(newest-at.Seq))
	}
	return r, nil
}

func (r *Usage) delete(tx *sql.Tx, at *examined, upTo, sent uint64, nowNs int64, keep time.Duration) error {
	outside, err := at.advance(tx, upTo)
	if err != nil {
		return err
	}
	g := r.GivenUp
	if nowNs-g.LastNs > int64(keep) {
		g = GivenUp{}
	}
	for _, o := range outside {
		var n int64
		var fromNs, toNs sql.NullInt64
		if err := tx.QueryRow("SELECT count(*), min(at_ns), max(at_ns) FROM event WHERE seq BETWEEN ? AND ? AND input IS NULL",
			int64(max(o.from, sent+1)), int64(o.to)).Scan(&n, &fromNs, &toNs); err != nil {
			return err
		}
		if n > 0 {
			if g.Readings == 0 {
				g.FromNs = fromNs.Int64
			}
			g.Readings, g.ToNs, g.LastNs = g.Readings+n, toNs.Int64, nowNs
			r.Lost += n
		}
		for _, statement := range []string{
			"DELETE FROM published WHERE seq IN (SELECT seq FROM event WHERE " + deletable + ")",
			"DELETE FROM event WHERE " + deletable,
		} {
			if _, err := tx.Exec(statement, int64(o.from), int64(o.to)); err != nil {
				return err
			}
		}
	}
	if r.Lost == 0 {
		return nil
	}
	r.GivenUp = g
	text, err := json.Marshal(g)
	if err != nil {
		return err
	}
	return SetMark(tx, givenUpMark, string(text))
}

// Used returns how many bytes the journal's content takes. That is less than the file's
// size after rows were deleted: SQLite does not give pages back to the file system but
// keeps them in a free list for new rows.
func (j *Journal) Used() (bytes int64, err error) {
	err = j.DB.QueryRow(`SELECT (page_count - freelist_count) * page_size
		FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&bytes)
	if err != nil {
		return 0, failed(words.NewError("record.size", "why", damage(j.path, err)))
	}
	return bytes, nil
}
