package journal

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"bayfill/bridge/points"
)

// Lines that the history refused for good lie in the journal, for somebody to look
// at. A history that is wrongly set up refuses one after the other: so the oldest
// go, and how many that were is told.
const (
	MostAside = 10_000 // about 2 MB of readings
	asideFor  = 90 * 24 * time.Hour

	goneMark = "set_aside_gone"
)

// Erased stands where a name stood.
const Erased = "erased"

// boundAside lets go of what is too old by the cart's time, or too much, and gives
// the text of the alert about what is there; nothing when there is nothing. Deleted
// by hand, lines are dealt with at the next look.
func (j *Journal) BoundDeadLetters(ctx context.Context) (text string, err error) {
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return "", fmt.Errorf("journal: %w", err)
	}
	defer tx.Rollback()
	// The time of a line is its last word.
	result, err := tx.Exec(`DELETE FROM set_aside WHERE rowid IN (SELECT rowid FROM set_aside ORDER BY rowid DESC LIMIT -1 OFFSET ?1)
		OR CAST(replace(line, rtrim(line, '0123456789'), '') AS INTEGER) BETWEEN 1 AND (SELECT at_ns FROM event ORDER BY seq DESC LIMIT 1) - ?2`, MostAside, int64(asideFor))
	if err != nil {
		return "", fmt.Errorf("journal: set_aside: %w", damage(j.path, err))
	}
	went, err := result.RowsAffected()
	if err != nil {
		return "", fmt.Errorf("journal: set_aside: %w", err)
	}
	var lines, gone int64
	if err := tx.QueryRow("SELECT count(*), coalesce((SELECT value FROM mark WHERE name = ?), 0) FROM set_aside", goneMark).Scan(&lines, &gone); err != nil {
		return "", fmt.Errorf("journal: set_aside: %w", damage(j.path, err))
	}
	if gone += went; went > 0 {
		if err := SetMark(tx, goneMark, strconv.FormatInt(gone, 10)); err != nil {
			return "", fmt.Errorf("journal: %w", damage(j.path, err))
		}
	}
	if err := tx.Commit(); err != nil {
		return "", fmt.Errorf("journal: %w", damage(j.path, err))
	}
	switch {
	case lines == 0:
		return "", nil
	case gone == 0:
		return fmt.Sprintf("the history refused %d lines for good; they are set aside in the journal (table set_aside) with the reason", lines), nil
	}
	return fmt.Sprintf("the history refused %d lines for good; the newest %d are set aside in the journal (table set_aside) with the reason, %d older ones were let go: at most %d are kept, for %d days",
		lines+gone, lines, gone, MostAside, asideFor/(24*time.Hour)), nil
}

// eraseAside takes the names that a token stands for out of the lines set aside. It
// tells how many held one.
func (j *Journal) eraseAside(ctx context.Context, token string) (lines int, err error) {
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
		case err != nil: // not to be read: better gone than told
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

// without is the line without the names that a token stands for; the server's
// reason may repeat them.
func (r Refused) without(token string) (_ Refused, held bool, err error) {
	p, shop, cart, err := points.ParseLine(r.Line)
	if err != nil {
		return r, false, err
	}
	e, err := p.Event()
	if err != nil || e.Input == nil {
		return r, false, err
	}
	erase := func(field, whose string) {
		name, _ := p.Fields[field].(string)
		if whose != token || name == "" || name == Erased {
			return
		}
		held = true
		p.Fields[field] = Erased
		r.Reason = strings.NewReplacer(points.TextEscaper.Replace(name), Erased, name, Erased).Replace(r.Reason)
	}
	erase(points.ByField, e.Input.By)
	if e.Input.Job != nil {
		erase(points.VehicleField, e.Input.Job.Vehicle)
	}
	r.Line = p.Line(shop, cart)
	return r, held, nil
}
