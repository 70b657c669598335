package journal

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"sync"

	sqlite3 "modernc.org/sqlite/lib"

	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Journal is an open journal: an SQLite file in WAL mode with synchronous FULL. One
// goroutine appends; others may read and move the history's mark meanwhile.
type Journal struct {
	path string
	DB   *sql.DB
	statements
	transaction transaction
	lock        *os.File // nil when the journal is opened read-only
	sent        sentMark

	placeMu sync.Mutex
	place   place
	witness *keeper // nil when the journal is opened read-only
}

// formatVersion is the version of the schema, which the file holds as user_version.
const formatVersion = 1

// schema is what an empty file gets. Floats are kept as SQLite REAL, which is the
// float64 itself.
const schema = `
CREATE TABLE event (
	seq INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, kind INTEGER NOT NULL,
	sensor TEXT NOT NULL, n INTEGER NOT NULL, value REAL NOT NULL,
	stability INTEGER NOT NULL, faults INTEGER NOT NULL, input TEXT) STRICT;
CREATE TABLE published (
	seq INTEGER NOT NULL, measurement TEXT NOT NULL, fields TEXT NOT NULL,
	PRIMARY KEY (seq, measurement)) STRICT, WITHOUT ROWID;
CREATE INDEX closing ON published (seq) WHERE ` + closing + `;
CREATE TABLE answer (
	id TEXT PRIMARY KEY, at_ns INTEGER NOT NULL, command BLOB NOT NULL, reply TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE set_aside (
	seq INTEGER NOT NULL, line TEXT NOT NULL, reason TEXT NOT NULL) STRICT;
CREATE TABLE mark (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE name (token TEXT PRIMARY KEY, text TEXT NOT NULL) STRICT, WITHOUT ROWID;
`

// Open opens or creates the journal in a file. Only one process may have a journal
// open, since two would assign the same sequence numbers: the second one gets an
// error that names the first.
func Open(path string) (*Journal, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, words.NewError("record.folder", "why", err)
	}
	lock, err := lockFile(path + ".lock")
	if err != nil {
		return nil, words.NewError("record.journal_at", "path", path, "why", err)
	}
	if err := protect(path); err != nil {
		unlockFile(lock)
		return nil, words.NewError("record.journal_at", "path", path, "why", err)
	}
	// With synchronous FULL a commit survives a power cut once it has returned. The
	// cache is small because the journal is written once and rarely read.
	j, err := openDatabase(path, url.Values{"_pragma": {"journal_mode(WAL)", "synchronous(FULL)", "busy_timeout(10000)",
		"cache_size(-256)", "wal_autocheckpoint(256)", "journal_size_limit(1048576)"}})
	if err != nil {
		unlockFile(lock)
		return nil, words.NewError("record.journal_at", "path", path, "why", err)
	}
	j.lock, j.witness = lock, newKeeper(path)
	return j, j.InPlace()
}

// OpenReadOnly opens a journal for reading. It takes no lock, so another process may
// write the journal meanwhile. Every method that would change the journal returns an
// error.
func OpenReadOnly(path string) (*Journal, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, words.NewError("record.never_ran", "why", err)
	}
	options := url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(10000)"}}
	j, err := openDatabase(path, options)
	if _, noLog := os.Stat(path + "-wal"); code(err) == sqlite3.SQLITE_CANTOPEN && errors.Is(noLog, os.ErrNotExist) {
		// SQLite needs an index in a file that it shares with a writer. On a card mounted
		// read-only it cannot create that file. A closed journal has no writer, so it can
		// be read without the index.
		options.Set("immutable", "1")
		j, err = openDatabase(path, options)
	}
	if err != nil {
		return nil, words.NewError("record.journal_at", "path", path, "why", err)
	}
	return j, nil
}

// openDatabase opens the file. An empty file gets the schema, unless the options say
// that it is only read.
func openDatabase(path string, options url.Values) (*Journal, error) {
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+options.Encode())
	if err != nil {
		return nil, err
	}
	// One connection, because each holds three descriptors and hundreds of carts share
	// one process. The forwarder's short reads wait for the cart's short writes.
	db.SetMaxOpenConns(1)
	var version int
	if err = db.QueryRow("PRAGMA user_version").Scan(&version); err == nil {
		switch {
		case version == formatVersion:
		case version == 0 && options.Get("mode") != "ro":
			_, err = db.Exec(fmt.Sprintf("BEGIN; %s PRAGMA user_version = %d; COMMIT", schema, formatVersion))
		default:
			err = words.NewError("record.format", "format", version, "known", formatVersion)
		}
	}
	j := &Journal{path: path, DB: db}
	if err == nil {
		err = j.prepare(db)
	}
	if err != nil {
		db.Close()
		return nil, damage(path, err)
	}
	return j, nil
}

// Close closes the file and releases the lock. The history's mark is on disk then.
func (j *Journal) Close() error {
	err := errors.Join(j.keepSent(), j.closeStatements(), j.DB.Close())
	if j.lock != nil {
		j.witness.close()
		err = errors.Join(err, unlockFile(j.lock))
	}
	return err
}

// Batch is what one transaction writes.
type Batch struct {
	Events    []fillcalc.Event
	Published []points.Published // in the order of the events they follow
	Answers   []Answer
	Names     []names.Name
	Snapshot  *fillcalc.State // replaces the last snapshot; nil: no new one
	Chain     points.Chain    // over all events up to the last one of this batch
}

// Split separates the first n events, with what was published after them, from the
// rest. Both parts share the batch's memory.
func (b *Batch) Split(n int) (first, rest Batch) {
	p := 0
	for n > 0 && p < len(b.Published) && b.Published[p].Seq <= b.Events[n-1].Seq {
		p++
	}
	return Batch{Events: b.Events[:n:n], Published: b.Published[:p:p]}, Batch{Events: b.Events[n:], Published: b.Published[p:]}
}

// Answer is the reply to a command that was carried out.
type Answer struct {
	ID      string            // of the command
	AtNs    int64             // event time, nanoseconds since 1970 UTC
	Command [sha256.Size]byte // the command's fingerprint
	Reply   []byte            // JSON
}

// Append writes a batch in one transaction. After it has returned nil, the batch
// survives a power cut. After an error the journal is as it was, or its files are gone
// ([ErrGone]).
func (j *Journal) Append(ctx context.Context, b Batch) error {
	if err := j.InPlace(); err != nil {
		return failed(err)
	}
	var sent sentUpTo
	err := j.inTransaction(ctx, func(t *transaction) (err error) {
		if err = b.write(t); err == nil {
			sent, err = j.sent.write(t)
		}
		return err
	})
	if err != nil {
		return failed(damage(j.path, err))
	}
	j.sent.kept(sent)
	if err := j.InPlace(); err != nil {
		return failed(err)
	}
	j.witness.saw(&b)
	return nil
}

// write writes the batch as a part of a transaction.
func (b *Batch) write(t *transaction) error {
	for i := range b.Events {
		e := &b.Events[i]
		var input driver.Value
		if e.Input != nil {
			text, err := json.Marshal(e.Input)
			if err != nil {
				return err
			}
			input = string(text)
		}
		if err := t.exec("INSERT INTO event VALUES (?,?,?,?,?,?,?,?,?)", int64(e.Seq), e.AtNs, int64(e.Kind), e.Sensor, int64(e.N), e.Value,
			int64(e.Stability), int64(e.Faults), input); err != nil {
			return err
		}
	}
	for _, p := range b.Published {
		if err := t.exec("INSERT INTO published VALUES (?,?,?)", int64(p.Seq), p.Measurement, p.Fields); err != nil {
			return err
		}
	}
	for _, n := range b.Names {
		if err := t.exec("INSERT INTO name VALUES (?,?) ON CONFLICT (token) DO UPDATE SET text = excluded.text", n.Token, n.Text); err != nil {
			return err
		}
	}
	for _, a := range b.Answers {
		if err := t.exec("INSERT INTO answer VALUES (?,?,?,?)", a.ID, a.AtNs, a.Command[:], string(a.Reply)); err != nil {
			return err
		}
	}
	if len(b.Events) > 0 {
		text, err := json.Marshal(b.Chain)
		if err != nil {
			return err
		}
		if err := t.exec(setMark, "chain", string(text)); err != nil {
			return err
		}
	}
	if b.Snapshot == nil {
		return nil
	}
	text, err := EncodeSnapshot(b.Snapshot)
	if err != nil {
		return err
	}
	return t.exec(setMark, "snapshot", string(text))
}

type execer interface {
	Exec(query string, args ...any) (sql.Result, error)
}

// SetMark sets a mark, by name, in a journal's database or transaction.
func SetMark(db execer, name, value string) error {
	_, err := db.Exec(setMark, name, value)
	return err
}

// Mark returns the value of a mark. It is empty when the mark was never set.
func (j *Journal) Mark(name string) (string, error) {
	var value string
	err := j.mark.QueryRow(name).Scan(&value)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", failed(words.NewError("record.mark", "mark", name, "why", damage(j.path, err)))
	}
	return value, nil
}

// Replay folds the journal from its last snapshot on and returns the state after its
// last event. Events that the snapshot covers may be missing; a missing event after it
// is an error. A damaged snapshot is not used: then lost is an alert that
// says so and what is no longer known.
func (j *Journal) Replay(ctx context.Context) (s fillcalc.State, lost fillcalc.Text, err error) {
	s, bad, err := j.snapshot()
	if err != nil {
		return s, lost, err
	}
	for {
		events, err := j.Events(ctx, s.Seq, 5000)
		if err != nil {
			return s, lost, err
		}
		if len(events) == 0 && bad != nil && lost.Key == "" {
			return s, lost, failed(words.NewError("record.snapshot", "why", damaged(j.path, bad)))
		}
		if len(events) == 0 {
			return s, lost, nil
		}
		for i := range events {
			missing := events[i].Seq != s.Seq+1
			switch {
			case missing && bad == nil:
				return s, lost, failed(damaged(j.path, words.NewError("record.gap", "event", events[i].Seq, "before", s.Seq)))
			case missing || bad != nil && lost.Key == "":
				s, lost = fillcalc.State{}, withoutSnapshot(bad, &events[i])
			}
			s = fillcalc.Apply(s, events[i])
		}
	}
}

// Chain returns the chain over all events that were ever appended, including those
// deleted since.
func (j *Journal) Chain() (c points.Chain, err error) {
	text, err := j.Mark("chain")
	if err != nil || text == "" {
		return c, err
	}
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return c, failed(words.NewError("record.mark", "mark", "chain", "why", damaged(j.path, err)))
	}
	return c, nil
}

// Events reads up to limit events after a sequence number, in order. It stops before a
// damaged place of the file without an error; the next call, which begins there,
// returns the error.
func (j *Journal) Events(ctx context.Context, after uint64, limit int) ([]fillcalc.Event, error) {
	rows, err := j.events.QueryContext(ctx, int64(after)+1, limit)
	if err != nil {
		return nil, failed(words.NewError("record.after", "event", after, "why", damage(j.path, err)))
	}
	defer rows.Close()
	var events []fillcalc.Event
	for rows.Next() {
		var e fillcalc.Event
		var seq, n int64
		var input sql.NullString
		if err := rows.Scan(&seq, &e.AtNs, &e.Kind, &e.Sensor, &n, &e.Value, &e.Stability, &e.Faults, &input); err != nil {
			if len(events) > 0 {
				return events, nil
			}
			return nil, failed(words.NewError("record.after", "event", after, "why", damaged(j.path, err))) // the columns are STRICT: only damage changes a type
		}
		e.Seq, e.N = uint64(seq), uint64(n)
		var wrong error
		if input.Valid {
			e.Input = new(fillcalc.Input)
			wrong = json.Unmarshal([]byte(input.String), e.Input)
		}
		if reading := e.Kind == fillcalc.KindWeight || e.Kind == fillcalc.KindTemperature; wrong == nil && (reading == input.Valid || !reading && e.Kind != fillcalc.KindInput) {
			wrong = words.NewError("record.kind", "kind", fmt.Sprint(e.Kind))
		}
		if wrong != nil {
			if len(events) > 0 {
				return events, nil
			}
			return nil, failed(words.NewError("record.event", "event", seq, "why", damaged(j.path, wrong)))
		}
		events = append(events, e)
	}
	if err := rows.Err(); err != nil && (len(events) == 0 || code(err) != sqlite3.SQLITE_CORRUPT) {
		return nil, failed(words.NewError("record.after", "event", after, "why", damage(j.path, err)))
	}
	return events, nil
}

// Bounds returns the sequence numbers of the oldest and the newest event in the
// journal, 0 when it is empty. Events between them may be missing.
func (j *Journal) Bounds(ctx context.Context) (first, last uint64, err error) {
	if err := j.DB.QueryRowContext(ctx, "SELECT coalesce((SELECT min(seq) FROM event), 0), coalesce((SELECT max(seq) FROM event), 0)").Scan(&first, &last); err != nil {
		return 0, 0, failed(damage(j.path, err))
	}
	return first, last, nil
}

// PublishedBetween reads what was published after the events in (after, upTo], in
// order.
func (j *Journal) PublishedBetween(ctx context.Context, after, upTo uint64) ([]points.Published, error) {
	rows, err := j.published.QueryContext(ctx, int64(after)+1, int64(upTo))
	if err != nil {
		return nil, failed(words.NewError("record.published", "event", after, "why", damage(j.path, err)))
	}
	defer rows.Close()
	var list []points.Published
	for rows.Next() {
		var p points.Published
		if err := rows.Scan(&p.Seq, &p.Measurement, &p.Fields); err != nil {
			return nil, failed(err)
		}
		list = append(list, p)
	}
	if err := rows.Err(); err != nil {
		return nil, failed(words.NewError("record.published", "event", after, "why", damage(j.path, err)))
	}
	return list, nil
}

// Names returns the names that the journal keeps for the tokens in its events.
func (j *Journal) Names(ctx context.Context) (names.Names, error) {
	rows, err := j.names.QueryContext(ctx)
	if err != nil {
		return nil, failed(words.NewError("record.names", "why", damage(j.path, err)))
	}
	defer rows.Close()
	known := names.Names{}
	for rows.Next() {
		var n names.Name
		if err := rows.Scan(&n.Token, &n.Text); err != nil {
			return nil, failed(words.NewError("record.names", "why", damage(j.path, err)))
		}
		known[n.Token] = n.Text
	}
	if err := rows.Err(); err != nil {
		return nil, failed(words.NewError("record.names", "why", damage(j.path, err)))
	}
	return known, nil
}

// Answered looks up the answer to a command that was carried out before.
func (j *Journal) Answered(id string) (a Answer, done bool, err error) {
	a.ID = id
	var command []byte
	err = j.DB.QueryRow("SELECT at_ns, command, reply FROM answer WHERE id = ?", id).Scan(&a.AtNs, &command, &a.Reply)
	if errors.Is(err, sql.ErrNoRows) {
		return Answer{}, false, nil
	}
	if err != nil {
		return Answer{}, false, failed(err)
	}
	copy(a.Command[:], command)
	return a, true, nil
}
