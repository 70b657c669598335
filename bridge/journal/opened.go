package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"

	sqlite3 "modernc.org/sqlite/lib"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// JobOpening is where a job begins in a journal.
type JobOpening struct {
	ID   string
	Seq  uint64 // 0 where only the snapshot still knows of it
	AtNs int64
}

// Lost lists the events that cannot be read from a damaged file, as ranges from first
// to last.
type Lost [][2]uint64

// Note adds the lost events to an error that may come from them.
func (l Lost) Note(err error) error {
	var list []string
	for _, part := range l {
		switch {
		case part[0] == part[1]:
			list = append(list, fmt.Sprint(part[0]))
		case part[1] == lastSeq:
			list = append(list, fmt.Sprintf("%d–", part[0]))
		default:
			list = append(list, fmt.Sprintf("%d–%d", part[0], part[1]))
		}
	}
	if list == nil {
		return err
	}
	return words.NewError("record.lost", "why", err, "events", strings.Join(list, ", "))
}

// after returns the last event of the lost range that begins right after an event, 0
// when the next event can be read.
func (l Lost) after(seq uint64) uint64 {
	for _, part := range l {
		if part[0] <= seq+1 && seq+1 <= part[1] {
			return part[1]
		}
	}
	return 0
}

const lastSeq = 1<<63 - 1

// opens is an SQL expression that is 1 for an event that opens a job or whose input
// cannot be read.
const opens = `CASE WHEN input IS NULL THEN 0 WHEN json_valid(input) THEN input ->> 'do' = 'open' ELSE 1 END`

// Opened lists the jobs whose opening the journal holds, the oldest first. It skips
// events on damaged pages, so that only the jobs there are affected.
func (j *Journal) Opened(ctx context.Context) (list []JobOpening, lost Lost, err error) {
	for after := uint64(0); ; {
		some, unreadable, err := j.openedAfter(ctx, after)
		if err != nil && code(err) != sqlite3.SQLITE_CORRUPT {
			return nil, nil, failed(damage(j.path, err))
		}
		list, lost = append(list, some...), append(lost, unreadable...)
		if err == nil {
			return list, lost, nil
		}
		last, next, err := j.aroundDamage(ctx, after)
		if err != nil {
			return nil, nil, failed(damage(j.path, err))
		}
		lost = append(lost, [2]uint64{last + 1, next - 1})
		if next > lastSeq {
			return list, lost, nil
		}
		after = next - 1
	}
}

// openedAfter lists the jobs after an event, up to the first place that cannot be read.
func (j *Journal) openedAfter(ctx context.Context, after uint64) (list []JobOpening, lost Lost, err error) {
	rows, err := j.DB.QueryContext(ctx, "SELECT seq, at_ns, input FROM event WHERE seq >= ? AND "+opens+" ORDER BY seq", int64(after)+1)
	if err != nil {
		return nil, nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var o JobOpening
		var text string
		var in fillcalc.Input
		if err := rows.Scan(&o.Seq, &o.AtNs, &text); err != nil {
			return nil, nil, err
		}
		if json.Unmarshal([]byte(text), &in) != nil || in.Do == fillcalc.DoOpen && in.Job == nil {
			lost = append(lost, [2]uint64{o.Seq, o.Seq})
			continue
		}
		o.ID = in.Job.ID
		list = append(list, o)
	}
	return list, lost, rows.Err()
}

// aroundDamage finds the next damaged place after an event. It returns the last event
// before the damage and the first one from which the file can be read again.
func (j *Journal) aroundDamage(ctx context.Context, after uint64) (last, next uint64, err error) {
	readable := func(query string, args ...any) (seq uint64, ok bool) {
		var n sql.NullInt64
		if err == nil {
			err = j.DB.QueryRowContext(ctx, query, args...).Scan(&n, new(any))
		}
		if code(err) == sqlite3.SQLITE_CORRUPT {
			err = nil
			return 0, false
		}
		return uint64(n.Int64), err == nil
	}
	last = after
	for limit := 4096; limit > 0 && err == nil; {
		seq, ok := readable("SELECT max(seq), max(o) FROM (SELECT seq, "+opens+" AS o FROM event WHERE seq >= ? ORDER BY seq LIMIT ?)", int64(last)+1, limit)
		switch {
		case !ok:
			limit /= 2
		case seq == 0:
			return last, lastSeq + 1, err // no more events: the damage is in another table
		default:
			last = seq
		}
	}
	begins := func(seq uint64) bool {
		_, ok := readable("SELECT (SELECT min(seq) FROM event WHERE seq >= ?1), coalesce((SELECT "+opens+" FROM event WHERE seq >= ?1 ORDER BY seq LIMIT 1), 0)", int64(seq))
		return ok
	}
	bad, step := last+1, uint64(1)
	for next = bad + step; !begins(next) && err == nil; next = bad + step {
		if bad, step = next, 2*step; step > 1<<40 {
			return last, lastSeq + 1, nil // no readable event follows
		}
	}
	for next-bad > 1 && err == nil {
		if middle := bad + (next-bad)/2; begins(middle) {
			next = middle
		} else {
			bad = middle
		}
	}
	return last, next, err
}
