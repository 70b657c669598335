package journal

import (
	"database/sql"
)

// statements are those with which a running cart reads again and again. They are prepared once:
// to parse one takes as long as to run it.
type statements struct {
	mark, events, published, names *sql.Stmt
}

const setMark = "INSERT INTO mark VALUES (?,?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"

// prepare prepares the statements. Closing the database closes them.
func (s *statements) prepare(db *sql.DB) (err error) {
	for _, one := range []struct {
		into  **sql.Stmt
		query string
	}{
		{&s.mark, "SELECT value FROM mark WHERE name = ?"},
		// Not seq > ?, which would read the page of the event before: it may be damaged.
		{&s.events, "SELECT seq, at_ns, kind, sensor, n, value, stability, faults, input FROM event WHERE seq >= ? ORDER BY seq LIMIT ?"},
		{&s.published, "SELECT seq, measurement, fields FROM published WHERE seq >= ? AND seq <= ? ORDER BY seq, measurement"},
		{&s.names, "SELECT token, text FROM name"},
	} {
		if *one.into, err = db.Prepare(one.query); err != nil {
			return err
		}
	}
	return nil
}
