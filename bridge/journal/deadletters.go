package journal

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"time"

	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Lines that the history refuses for good are kept in the journal as dead letters,
// with the reason. A history that is set up wrongly refuses one after the other, so
// their number and age are limited; the oldest are deleted, and the deletions counted.
//
// On disk the names are older: the table is set_aside, and the mark that counts the
// deletions is set_aside_gone. They stay, because journals of earlier versions have
// them.
const (
	maxDeadLetters   = 10_000 // about 2 MB of readings
	maxDeadLetterAge = 90 * 24 * time.Hour

	deletedMark = "set_aside_gone"
)

// Refused is a line of line protocol that the history will never take.
type Refused struct {
	Line   string
	Reason string // what the server answered
}

// AtNs is the time at the end of the line in nanoseconds since 1970 UTC; ok is false
// when there is none, as in a damaged line.
func (r Refused) AtNs() (ns int64, ok bool) {
	ns, err := strconv.ParseInt(r.Line[strings.LastIndexByte(r.Line, ' ')+1:], 10, 64)
	return ns, err == nil
}

// DeadLetters reads the lines that the history refused for good, in the order in
// which it did.
func (j *Journal) DeadLetters(ctx context.Context) ([]Refused, error) {
	rows, err := j.DB.QueryContext(ctx, "SELECT line, reason FROM set_aside ORDER BY rowid")
	if err != nil {
		return nil, failed(err)
	}
	defer rows.Close()
	var list []Refused
	for rows.Next() {
		var r Refused
		if err := rows.Scan(&r.Line, &r.Reason); err != nil {
			return nil, failed(err)
		}
		list = append(list, r)
	}
	return list, rows.Err()
}

// BoundDeadLetters deletes the dead letters that are too old, by the cart's time, or
// too many, and returns the text of the alert about those that are left; empty when
// there are none. Somebody who has dealt with them may delete them from the table.
func (j *Journal) BoundDeadLetters(ctx context.Context) (text fillcalc.Text, err error) {
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return text, failed(err)
	}
	defer tx.Rollback()
	// A line ends with its time.
	result, err := tx.Exec(`DELETE FROM set_aside WHERE rowid IN (SELECT rowid FROM set_aside ORDER BY rowid DESC LIMIT -1 OFFSET ?1)
		OR CAST(replace(line, rtrim(line, '0123456789'), '') AS INTEGER) BETWEEN 1 AND (SELECT at_ns FROM event ORDER BY seq DESC LIMIT 1) - ?2`, maxDeadLetters, int64(maxDeadLetterAge))
	if err != nil {
		return text, failed(words.NewError("record.set_aside", "why", damage(j.path, err)))
	}
	deletedNow, err := result.RowsAffected()
	if err != nil {
		return text, failed(words.NewError("record.set_aside", "why", err))
	}
	var lines, deleted int64
	if err := tx.QueryRow("SELECT count(*), coalesce((SELECT value FROM mark WHERE name = ?), 0) FROM set_aside", deletedMark).Scan(&lines, &deleted); err != nil {
		return text, failed(words.NewError("record.set_aside", "why", damage(j.path, err)))
	}
	if deleted += deletedNow; deletedNow > 0 {
		if err := SetMark(tx, deletedMark, strconv.FormatInt(deleted, 10)); err != nil {
			return text, failed(damage(j.path, err))
		}
	}
	if err := tx.Commit(); err != nil {
		return text, failed(damage(j.path, err))
	}
	text.Figures = map[string]float64{"lines": float64(lines + deleted), "kept": float64(lines), "deleted": float64(deleted), "most": maxDeadLetters, "for_s": maxDeadLetterAge.Seconds()}
	switch {
	case lines == 0:
		return fillcalc.Text{}, nil
	case deleted == 0:
		text.Key = "alert.history_refused"
	default:
		text.Key = "alert.history_refused_deleted"
	}
	return text, nil
}

// eraseDeadLetters removes the names that a token stands for from the dead letters. It
// returns how many held one.
func (j *Journal) eraseDeadLetters(ctx context.Context, token string) (lines int, err error) {
	rows, err := j.DB.QueryContext(ctx, "SELECT rowid, line, reason FROM set_aside WHERE instr(line, ?) > 0", token)
	if err != nil {
		return 0, err
	}
	type kept struct {
		id int64
		Refused
	}
	var list []kept
	for rows.Next() {
		var k kept
		if err := rows.Scan(&k.id, &k.Line, &k.Reason); err != nil {
			return 0, errors.Join(err, rows.Close())
		}
		list = append(list, k)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return 0, err
	}
	for _, k := range list {
		r, held, err := k.without(token)
		switch {
		case err != nil: // it cannot be read, so it may hold the name
			_, err = j.DB.ExecContext(ctx, "DELETE FROM set_aside WHERE rowid = ?", k.id)
		case held:
			_, err = j.DB.ExecContext(ctx, "UPDATE set_aside SET line = ?, reason = ? WHERE rowid = ?", r.Line, r.Reason, k.id)
		default:
			continue
		}
		if err != nil {
			return lines, err
		}
		lines++
	}
	return lines, nil
}

// without is the line without the names that a token stands for; they are removed from
// the reason too, which may quote the line.
func (r Refused) without(token string) (_ Refused, held bool, err error) {
	p, shop, cart, err := points.ParseLine(r.Line)
	if err != nil {
		return r, false, err
	}
	e, err := p.Event()
	if err != nil || e.Input == nil {
		return r, false, err
	}
	for _, place := range names.Places(e.Input) {
		name, _ := p.Fields[place.Field].(string)
		if *place.Token != token || name == "" || name == names.Erased {
			continue
		}
		held = true
		p.Fields[place.Field] = names.Erased
		r.Reason = strings.NewReplacer(points.TextEscaper.Replace(name), names.Erased, name, names.Erased).Replace(r.Reason)
	}
	r.Line = p.Line(shop, cart)
	return r, held, nil
}
