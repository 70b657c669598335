package bridge

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
	pieceEvents = 2 * mostInBatch
	// How often the journal is looked at for what is old, and for its size, on the
	// cart's clock.
	pruneEvery, tidyEvery = time.Hour, time.Minute
	// fillingShare of the limit is when a journal that fills up is told of.
	fillingShare = 0.75
	// goingOn is how long after the last piece readings count as still being given up.
	goingOn = 6 * time.Hour
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
	text, err := j.mark("thinned")
	if err != nil {
		return at, err
	}
	if text != "" {
		if err := json.Unmarshal([]byte(text), &at); err != nil {
			return at, fmt.Errorf("journal: mark thinned: %w", damaged(j.path, err))
		}
	}
	var first uint64
	if err := j.db.QueryRow("SELECT coalesce(min(seq), 0) FROM event").Scan(&first); err != nil {
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
	return outside, setMark(tx, "thinned", string(text))
}

// givenUp is what went before a history had taken it.
type givenUp struct {
	Readings int64 `json:"readings"`
	FromNs   int64 `json:"from_ns"` // of the oldest of them
	ToNs     int64 `json:"to_ns"`   // of the newest
	LastNs   int64 `json:"last_ns"` // when that went
}

func (j *Journal) givenUp() (g givenUp, err error) {
	text, err := j.mark("given_up")
	if err != nil || text == "" {
		return g, err
	}
	if err := json.Unmarshal([]byte(text), &g); err != nil {
		return g, fmt.Errorf("journal: mark given_up: %w", damaged(j.path, err))
	}
	return g, nil
}

// room is how a journal stands against its limit.
type room struct {
	waiting  int64 // bytes of what no history has taken, about
	lost     int64 // readings that were given up just now
	givenUp  givenUp
	more     bool // to be deleted
	jobsOnly bool // beyond the limit, and nothing is left that may go
}

// thin deletes a piece of what may go when the journal takes more than most bytes,
// and only what the snapshot covers. What goes is counted from the last time on
// that something went no longer than keep ago.
func (j *Journal) thin(ctx context.Context, most int64, snapshotSeq uint64, nowNs int64, keep time.Duration) (r room, err error) {
	if r.givenUp, err = j.givenUp(); err != nil {
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
	used, err := j.used()
	if err != nil {
		return r, err
	}
	if used > most && at.Seq < snapshotSeq {
		tx, err := j.db.BeginTx(ctx, nil)
		if err != nil {
			return r, fmt.Errorf("journal: %w", err)
		}
		defer tx.Rollback()
		if err := r.delete(tx, &at, min(at.Seq+pieceEvents, snapshotSeq), sent, nowNs, keep); err != nil {
			return r, fmt.Errorf("journal: %w", damage(j.path, err))
		}
		if err := tx.Commit(); err != nil {
			return r, fmt.Errorf("journal: %w", err)
		}
		if used, err = j.used(); err != nil {
			return r, err
		}
	}
	r.more = used > most && at.Seq < snapshotSeq
	r.jobsOnly = used > most && at.Seq >= snapshotSeq
	var newest uint64
	if err := j.db.QueryRow("SELECT coalesce(max(seq), 0) FROM event").Scan(&newest); err != nil {
		return r, fmt.Errorf("journal: %w", damage(j.path, err))
	}
	switch {
	case sent >= newest:
	case sent <= at.Seq:
		r.waiting = used
	default:
		r.waiting = int64(float64(used) * float64(newest-sent) / float64(newest-at.Seq))
	}
	return r, nil
}

func (r *room) delete(tx *sql.Tx, at *thinned, upTo, sent uint64, nowNs int64, keep time.Duration) error {
	outside, err := at.pass(tx, upTo)
	if err != nil {
		return err
	}
	g := r.givenUp
	if nowNs-g.LastNs > int64(keep) {
		g = givenUp{}
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
			r.lost += n
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
	if r.lost == 0 {
		return nil
	}
	r.givenUp = g
	text, err := json.Marshal(g)
	if err != nil {
		return err
	}
	return setMark(tx, "given_up", string(text))
}

// used is how many bytes the journal takes. Not the file's size, which is how much
// that once was: SQLite gives no page back to the file system, those of deleted
// rows wait in the free list for new ones.
func (j *Journal) used() (bytes int64, err error) {
	err = j.db.QueryRow(`SELECT (page_count - freelist_count) * page_size
		FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&bytes)
	if err != nil {
		return 0, fmt.Errorf("journal: size: %w", damage(j.path, err))
	}
	return bytes, nil
}

// pace is how fast something grows, seen from where it stood one to two hours ago.
type pace struct{ before, last struct{ ns, bytes int64 } }

// left is how long it takes to grow by so many bytes more; 0 when that is not known
// yet, or it does not grow.
func (p *pace) left(nowNs, bytes, more int64) time.Duration {
	if p.last.ns == 0 || nowNs-p.last.ns >= int64(time.Hour) {
		p.before = p.last
		p.last.ns, p.last.bytes = nowNs, bytes
		if p.before.ns == 0 {
			p.before = p.last
		}
	}
	if nowNs-p.before.ns < int64(10*time.Minute) || bytes <= p.before.bytes {
		return 0
	}
	// Less than a century, or the nanoseconds do not fit.
	return time.Duration(min(float64(nowNs-p.before.ns)/float64(bytes-p.before.bytes)*float64(more), 3e18))
}

// tidy deletes what the journal no longer needs, or has no room for, a piece of it.
func (c *cart) tidy(ctx context.Context, nowNs int64, snapshotSeq uint64, prune bool) (r room, err error) {
	old := false
	if prune {
		if old, err = c.journal.Prune(ctx, time.Unix(0, nowNs).Add(-c.keep), snapshotSeq, c.forward != nil); err != nil {
			return r, err
		}
	}
	r, err = c.journal.thin(ctx, c.most, snapshotSeq, nowNs, c.keep)
	r.more = r.more || old
	return r, err
}

// tidied takes note of how the journal stands, and tells.
func (c *cart) tidied(r *room) {
	c.untidy = r.more
	c.meter.givenUp.Add(float64(r.lost))
	if c.lost += r.lost; c.lost > 0 && c.state.NowNs-c.lostToldNs >= int64(time.Hour) {
		c.log.Warn("readings outside jobs given up, the journal has reached its limit",
			"readings", c.lost, "in_all", r.givenUp.Readings, "from", timestamp(r.givenUp.FromNs), "to", timestamp(r.givenUp.ToNs))
		c.lost, c.lostToldNs = 0, c.state.NowNs
	}
	c.tellGivenUp(r.givenUp)
	left := c.filling.left(c.state.NowNs, r.waiting, c.most-r.waiting)
	if r.more {
		return // how it stands is known when that is done
	}
	const remedy = "see to the history, or allow more"
	limit := fmt.Sprintf("its limit of %g MB (journal.most_mb)", float64(c.most)/1e6)
	filling, jobs := "", ""
	switch share := float64(r.waiting) / float64(c.most); {
	case r.jobsOnly:
		jobs = "the journal is beyond " + limit + " and only jobs and commands are left in it, which stay: it grows on until the disk is full: " + remedy
	case share > fillingShare && r.givenUp.Readings > 0 && c.state.NowNs-r.givenUp.LastNs < int64(goingOn):
		filling = "the journal is full to " + limit + " with what no history has taken: the oldest readings outside jobs are given up, jobs stay: " + remedy
	case share > fillingShare:
		filling = fmt.Sprintf("the journal is filled to %.0f %% of %s with what no history has taken", 100*share, limit)
		if left > 0 {
			filling += ", and full in " + roughly(left) + " at the present pace"
		}
		filling += ": then the oldest readings outside jobs are given up: " + remedy
	}
	c.alert("journal_filling", filling)
	c.alert("journal_jobs", jobs)
}

// tellGivenUp keeps the alert about what went for as long after it as the journal
// keeps what was taken.
func (c *cart) tellGivenUp(g givenUp) {
	text := ""
	if g.Readings > 0 && c.state.NowNs-g.LastNs <= int64(c.keep) {
		text = fmt.Sprintf("the journal reached its limit (journal.most_mb) before a history had taken all: %d readings outside jobs are given up, of the time from %s to %s; jobs are whole",
			g.Readings, timestamp(g.FromNs), timestamp(g.ToNs))
	}
	c.alert("journal_given_up", text)
}

// roughly is a duration in words, for planning.
func roughly(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f minutes", d.Minutes())
}
