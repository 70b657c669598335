package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"bayfill/fillcalc"
)

// A history that is away for weeks must not fill the disk. Beyond the journal's
// limit the oldest readings go that belong to no job, whether or not a history has
// taken them, with what was published after them. Jobs never go, since they are
// computed again from their own events; nor do inputs, but for ticks between jobs:
// the snapshot covers what those did. If nothing else is left, the journal grows on.

const (
	// pieceEvents bounds how many events one transaction looks at and deletes, since
	// the cart's writes wait for it; more than one batch brings.
	PieceEvents = 4000
)

// Where one job ends and the next begins.
const boundaries = "SELECT seq, input ->> 'do' FROM event WHERE seq > ? AND seq <= ? AND input ->> 'do' IN ('open', 'close', 'abandon') ORDER BY seq"

// dispensable are the readings and ticks of a stretch.
const dispensable = "seq BETWEEN ? AND ? AND (input IS NULL OR input ->> 'do' = 'tick')"

// thinned is how far the journal has been gone through from its oldest event, and
// whether what follows is of a job.
type thinned struct {
	Seq   uint64 `json:"seq"`
	InJob bool   `json:"in_job"`
}

// stretch is the events from one to another, both included.
type stretch struct{ from, to uint64 }

// thinned reads the mark. Where a program that sets none has pruned, what is left
// may begin in the middle of a job: until one ends or opens, that is assumed.
func (j *Journal) thinned() (at thinned, err error) {
	text, err := j.Mark("thinned")
	if err != nil {
		return at, err
	}
	if text != "" {
		if err := json.Unmarshal([]byte(text), &at); err != nil {
			return at, fmt.Errorf("journal: mark thinned: %w", damaged(j.path, err))
		}
	}
	var first uint64
	if err := j.DB.QueryRow("SELECT coalesce(min(seq), 0) FROM event").Scan(&first); err != nil {
		return at, fmt.Errorf("journal: %w", damage(j.path, err))
	}
	if first > at.Seq+1 {
		at = thinned{Seq: first - 1, InJob: true}
	}
	return at, nil
}

// pass goes on up to an event, keeps the mark, and returns what lies outside of
// jobs on the way.
func (at *thinned) pass(tx *sql.Tx, upTo uint64) (outside []stretch, err error) {
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
	return outside, SetMark(tx, "thinned", string(text))
}

// givenUp is what went before a history had taken it.
type GivenUp struct {
	Readings int64 `json:"readings"`
	FromNs   int64 `json:"from_ns"` // of the oldest of them
	ToNs     int64 `json:"to_ns"`   // of the newest
	LastNs   int64 `json:"last_ns"` // when that went
}

func (j *Journal) GivenUp() (g GivenUp, err error) {
	text, err := j.Mark("given_up")
	if err != nil || text == "" {
		return g, err
	}
	if err := json.Unmarshal([]byte(text), &g); err != nil {
		return g, fmt.Errorf("journal: mark given_up: %w", damaged(j.path, err))
	}
	return g, nil
}

// room is how a journal stands against its limit.
type Room struct {
	Waiting  int64 // bytes of what no history has taken, about
	Lost     int64 // readings that were given up just now
	GivenUp  GivenUp
	More     bool // to be deleted
	JobsOnly bool // beyond the limit, and nothing is left that may go
}

// thin deletes a piece of what may go when the journal takes more than most bytes,
// and only what the snapshot covers. What goes is counted from the last time on
// that something went no longer than keep ago.
func (j *Journal) Retain(ctx context.Context, most int64, snapshotSeq uint64, nowNs int64, keep time.Duration) (r Room, err error) {
	if r.GivenUp, err = j.GivenUp(); err != nil {
		return r, err
	}
	// Only the forwarder moves it on meanwhile: then a few are counted as lost that were
	// just taken.
	sent, err := j.Sent()
	if err != nil {
		return r, err
	}
	at, err := j.thinned()
	if err != nil {
		return r, err
	}
	used, err := j.Used()
	if err != nil {
		return r, err
	}
	if used > most && at.Seq < snapshotSeq {
		tx, err := j.DB.BeginTx(ctx, nil)
		if err != nil {
			return r, fmt.Errorf("journal: %w", err)
		}
		defer tx.Rollback()
		if err := r.delete(tx, &at, min(at.Seq+PieceEvents, snapshotSeq), sent, nowNs, keep); err != nil {
			return r, fmt.Errorf("journal: %w", damage(j.path, err))
		}
		if err := tx.Commit(); err != nil {
			return r, fmt.Errorf("journal: %w", err)
		}
		if used, err = j.Used(); err != nil {
			return r, err
		}
	}
	r.More = used > most && at.Seq < snapshotSeq
	r.JobsOnly = used > most && at.Seq >= snapshotSeq
	var newest uint64
	if err := j.DB.QueryRow("SELECT coalesce(max(seq), 0) FROM event").Scan(&newest); err != nil {
		return r, fmt.Errorf("journal: %w", damage(j.path, err))
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

func (r *Room) delete(tx *sql.Tx, at *thinned, upTo, sent uint64, nowNs int64, keep time.Duration) error {
	outside, err := at.pass(tx, upTo)
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
			"DELETE FROM published WHERE seq IN (SELECT seq FROM event WHERE " + dispensable + ")",
			"DELETE FROM event WHERE " + dispensable,
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
	return SetMark(tx, "given_up", string(text))
}

// used is how many bytes the journal takes. Not the file's size, which is how much
// that once was: SQLite gives no page back to the file system, those of deleted
// rows wait in the free list for new ones.
func (j *Journal) Used() (bytes int64, err error) {
	err = j.DB.QueryRow(`SELECT (page_count - freelist_count) * page_size
		FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&bytes)
	if err != nil {
		return 0, fmt.Errorf("journal: size: %w", damage(j.path, err))
	}
	return bytes, nil
}
