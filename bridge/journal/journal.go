package journal

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// Journal is a cart's record on disk: every event in order, what was published,
// the answers to commands, and how far the history has got. It promises:
//
//   - what [Journal.Append] has returned nil for survives a power cut, whole;
//   - a failed Append leaves the journal as it was;
//   - events are read back in order, without gaps, bit for bit (a zero has no
//     sign, and there is no NaN).
//
// It is one SQLite file in WAL mode with synchronous FULL; anybody can query it
// with the sqlite3 program, but only one process may open it as a journal. One
// goroutine appends; others may read and move the history's mark meanwhile.
type Journal struct {
	path   string
	DB     *sql.DB
	insert *sql.Stmt // of an event: prepared once, used twice a second
	lock   *os.File  // nil when it is only read
	old    bool      // of version 1, and only read
}

// journalSchema is version 2; version 1 had no names. Floats are kept as SQLite REAL, which is the
// float64 itself.
const journalSchema = `
CREATE TABLE event (
	seq INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, kind INTEGER NOT NULL,
	sensor TEXT NOT NULL, n INTEGER NOT NULL, value REAL NOT NULL,
	stability INTEGER NOT NULL, faults INTEGER NOT NULL, input TEXT) STRICT;
CREATE TABLE published (
	seq INTEGER NOT NULL, measurement TEXT NOT NULL, fields TEXT NOT NULL,
	PRIMARY KEY (seq, measurement)) STRICT, WITHOUT ROWID;
CREATE TABLE answer (
	id TEXT PRIMARY KEY, at_ns INTEGER NOT NULL, command BLOB NOT NULL, reply TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE set_aside (
	seq INTEGER NOT NULL, line TEXT NOT NULL, reason TEXT NOT NULL) STRICT;
CREATE TABLE mark (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
` + journalNames

const journalNames = `
CREATE TABLE name (token TEXT PRIMARY KEY, text TEXT NOT NULL) STRICT, WITHOUT ROWID;
PRAGMA user_version = 2;`

// OpenJournal opens or creates the journal in a file. It is an error when
// another process has it open: two would give the same sequence numbers.
func Open(path string) (*Journal, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, fmt.Errorf("journal folder: %w", err)
	}
	lock, err := lockFile(path + ".lock")
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	// A commit is on disk when it returns (FULL), even on power loss. Memory is
	// kept small: the journal is written once and read seldom.
	j, err := openDatabase(path, url.Values{"_pragma": {"journal_mode(WAL)", "synchronous(FULL)", "busy_timeout(10000)",
		"cache_size(-256)", "wal_autocheckpoint(256)", "journal_size_limit(1048576)"}}, journalSchema)
	if err != nil {
		unlockFile(lock)
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	j.lock = lock
	return j, nil
}

// ReadJournal opens a journal only for reading, while another process may be
// writing it: it takes no lock, and whatever would change it is an error.
func OpenReadOnly(path string) (*Journal, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("journal: %w: has the program run with this data folder?", err)
	}
	options := url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(10000)"}}
	j, err := openDatabase(path, options, "")
	if _, noLog := os.Stat(path + "-wal"); code(err) == sqlite3.SQLITE_CANTOPEN && errors.Is(noLog, os.ErrNotExist) {
		// Where nothing can be written, as on a card mounted read-only, a closed journal
		// is read without the index that is shared with a writer: there is none.
		options.Set("immutable", "1")
		j, err = openDatabase(path, options, "")
	}
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	return j, nil
}

// code is what SQLite calls an error; 0 when it is none of SQLite's.
func code(err error) int {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return 0
	}
	return e.Code() & 0xFF // the rest tells more than is needed
}

// damage says what to do about a file that a card has spoilt: SQLite's own words
// do not.
func damage(path string, err error) error {
	switch code(err) {
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return damaged(path, err)
	}
	return err
}

func damaged(path string, err error) error {
	return fmt.Errorf("%w: %s %w: stop the program, move it away with its -wal and keep both, send what can be read with bayfill history fill, and start anew on another card", err, path, errDamaged)
}

// openDatabase opens the file; schema is what an empty one gets.
func openDatabase(path string, options url.Values, schema string) (*Journal, error) {
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+options.Encode())
	if err != nil {
		return nil, err
	}
	// One connection: each holds three descriptors, and hundreds of carts share
	// one process. The forwarder's short reads wait for the cart's short writes.
	db.SetMaxOpenConns(1)
	var version int
	if err = db.QueryRow("PRAGMA user_version").Scan(&version); err == nil {
		switch {
		case version == 0 && schema != "":
			_, err = db.Exec("BEGIN;" + schema + "COMMIT")
		case version == 1 && schema != "":
			_, err = db.Exec("BEGIN;" + journalNames + "COMMIT")
		case version != 1 && version != 2:
			err = fmt.Errorf("it has format %d, this program knows 1 and 2: use the newer program", version)
		}
	}
	j := &Journal{path: path, DB: db, old: version == 1 && schema == ""}
	if err == nil {
		j.insert, err = db.Prepare("INSERT INTO event VALUES (?,?,?,?,?,?,?,?,?)")
	}
	if err != nil {
		db.Close()
		return nil, damage(path, err)
	}
	return j, nil
}

// Close closes the file.
func (j *Journal) Close() error {
	err := errors.Join(j.insert.Close(), j.DB.Close())
	if j.lock != nil {
		err = errors.Join(err, unlockFile(j.lock))
	}
	return err
}

// Batch is what one transaction keeps.
type Batch struct {
	Events    []fillcalc.Event
	Published []points.Published
	Answers   []Answer
	Names     []names.Name
	Snapshot  *fillcalc.State // replaces the last one; events up to it may be missing
	Chain     points.Chain    // over all events up to the last of these
}

// split parts the first n events, and what was published after them, from the
// rest. Both share the batch's memory.
func (b *Batch) Split(n int) (first, rest Batch) {
	p := 0
	for n > 0 && p < len(b.Published) && b.Published[p].Seq <= b.Events[n-1].Seq {
		p++
	}
	return Batch{Events: b.Events[:n:n], Published: b.Published[:p:p]}, Batch{Events: b.Events[n:], Published: b.Published[p:]}
}

// Answer is the reply to a command that was done.
type Answer struct {
	ID      string
	AtNs    int64
	Command [sha256.Size]byte // the command's fingerprint
	Reply   []byte
}

// Append writes a batch in one transaction. When it returns nil, the batch is
// on disk.
func (j *Journal) Append(ctx context.Context, b Batch) error {
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	defer tx.Rollback()
	if err := b.write(tx, tx.Stmt(j.insert)); err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	return nil
}

func (b *Batch) write(tx *sql.Tx, insert *sql.Stmt) error {
	for i := range b.Events {
		e := &b.Events[i]
		var input any
		if e.Input != nil {
			text, err := json.Marshal(e.Input)
			if err != nil {
				return err
			}
			input = string(text)
		}
		if _, err := insert.Exec(int64(e.Seq), e.AtNs, int64(e.Kind), e.Sensor, int64(e.N), e.Value,
			int64(e.Stability), int64(e.Faults), input); err != nil {
			return err
		}
	}
	for _, p := range b.Published {
		if _, err := tx.Exec("INSERT INTO published VALUES (?,?,?)", int64(p.Seq), p.Measurement, p.Fields); err != nil {
			return err
		}
	}
	for _, n := range b.Names {
		if _, err := tx.Exec("INSERT INTO name VALUES (?,?) ON CONFLICT (token) DO UPDATE SET text = excluded.text", n.Token, n.Text); err != nil {
			return err
		}
	}
	for _, a := range b.Answers {
		if _, err := tx.Exec("INSERT INTO answer VALUES (?,?,?,?)", a.ID, a.AtNs, a.Command[:], string(a.Reply)); err != nil {
			return err
		}
	}
	if len(b.Events) > 0 {
		text, err := json.Marshal(b.Chain)
		if err != nil {
			return err
		}
		if err := SetMark(tx, "chain", string(text)); err != nil {
			return err
		}
	}
	if b.Snapshot != nil {
		text, err := EncodeSnapshot(b.Snapshot)
		if err != nil {
			return err
		}
		return SetMark(tx, "snapshot", string(text))
	}
	return nil
}

type execer interface {
	Exec(query string, args ...any) (sql.Result, error)
}

func SetMark(db execer, name, value string) error {
	_, err := db.Exec("INSERT INTO mark VALUES (?,?) ON CONFLICT (name) DO UPDATE SET value = excluded.value", name, value)
	return err
}

func (j *Journal) Mark(name string) (string, error) {
	var value string
	err := j.DB.QueryRow("SELECT value FROM mark WHERE name = ?", name).Scan(&value)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("journal: mark %s: %w", name, damage(j.path, err))
	}
	return value, nil
}

// Replay folds the journal from its last snapshot and returns where it stands.
// Of what the snapshot covers nothing need be there; after it no event may be
// missing. A damaged snapshot is not used: then lost says so, and what is not known.
func (j *Journal) Replay(ctx context.Context) (s fillcalc.State, lost string, err error) {
	s, bad, err := j.snapshot()
	if err != nil {
		return s, "", err
	}
	for {
		events, err := j.Events(ctx, s.Seq, 5000)
		if err != nil {
			return s, lost, err
		}
		if len(events) == 0 && bad != nil && lost == "" {
			return s, "", fmt.Errorf("journal: snapshot: %w", damaged(j.path, bad))
		}
		if len(events) == 0 {
			return s, lost, nil
		}
		for i := range events {
			missing := events[i].Seq != s.Seq+1
			switch {
			case missing && bad == nil:
				return s, "", fmt.Errorf("journal: event %d follows %d: events are missing, restore the file from a copy", events[i].Seq, s.Seq)
			case missing || bad != nil && lost == "":
				s, lost = fillcalc.State{}, withoutSnapshot(bad, &events[i])
			}
			s = fillcalc.Apply(s, events[i])
		}
	}
}

// Chain is the chain over all events that the journal has kept, whether or not
// it has forgotten some since.
func (j *Journal) Chain() (c points.Chain, err error) {
	text, err := j.Mark("chain")
	if err != nil || text == "" {
		return c, err
	}
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return c, fmt.Errorf("journal: mark chain: %w", damaged(j.path, err))
	}
	return c, nil
}

// Events reads up to limit events after a sequence number, in order. Fewer come
// before a damaged place of the file; the error is that of the next call, which
// would have to begin there.
func (j *Journal) Events(ctx context.Context, after uint64, limit int) ([]fillcalc.Event, error) {
	// Not seq > after: that would touch the page of the event before, which may be damaged.
	rows, err := j.DB.QueryContext(ctx,
		"SELECT seq, at_ns, kind, sensor, n, value, stability, faults, input FROM event WHERE seq >= ? ORDER BY seq LIMIT ?",
		int64(after)+1, limit)
	if err != nil {
		return nil, fmt.Errorf("journal: after event %d: %w", after, damage(j.path, err))
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
			return nil, fmt.Errorf("journal: after event %d: %w", after, damaged(j.path, err)) // every column has its type
		}
		e.Seq, e.N = uint64(seq), uint64(n)
		var wrong error
		if input.Valid {
			e.Input = new(fillcalc.Input)
			wrong = json.Unmarshal([]byte(input.String), e.Input)
		}
		if reading := e.Kind == fillcalc.KindWeight || e.Kind == fillcalc.KindTemperature; wrong == nil && (reading == input.Valid || !reading && e.Kind != fillcalc.KindInput) {
			wrong = fmt.Errorf("kind %d, with an input: %v", e.Kind, input.Valid)
		}
		if wrong != nil {
			if len(events) > 0 {
				return events, nil
			}
			return nil, fmt.Errorf("journal: event %d: %w", seq, damaged(j.path, wrong))
		}
		events = append(events, e)
	}
	if err := rows.Err(); err != nil && (len(events) == 0 || code(err) != sqlite3.SQLITE_CORRUPT) {
		return nil, fmt.Errorf("journal: after event %d: %w", after, damage(j.path, err))
	}
	return events, nil
}

// Bounds are the oldest and the newest event that the journal keeps, 0 when there is
// none. Between them some may be missing.
func (j *Journal) Bounds(ctx context.Context) (first, last uint64, err error) {
	if err := j.DB.QueryRowContext(ctx, "SELECT coalesce((SELECT min(seq) FROM event), 0), coalesce((SELECT max(seq) FROM event), 0)").Scan(&first, &last); err != nil {
		return 0, 0, fmt.Errorf("journal: %w", damage(j.path, err))
	}
	return first, last, nil
}

// PublishedBetween reads what was published after the events in (after, upTo].
func (j *Journal) PublishedBetween(ctx context.Context, after, upTo uint64) ([]points.Published, error) {
	rows, err := j.DB.QueryContext(ctx,
		"SELECT seq, measurement, fields FROM published WHERE seq >= ? AND seq <= ? ORDER BY seq, measurement", int64(after)+1, int64(upTo))
	if err != nil {
		return nil, fmt.Errorf("journal: published after event %d: %w", after, damage(j.path, err))
	}
	defer rows.Close()
	var list []points.Published
	for rows.Next() {
		var p points.Published
		if err := rows.Scan(&p.Seq, &p.Measurement, &p.Fields); err != nil {
			return nil, fmt.Errorf("journal: %w", err)
		}
		list = append(list, p)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("journal: published after event %d: %w", after, damage(j.path, err))
	}
	return list, nil
}

// Names are what is kept of the names behind the tokens in the events.
func (j *Journal) Names(ctx context.Context) (names.Names, error) {
	if j.old {
		return names.Names{}, nil
	}
	rows, err := j.DB.QueryContext(ctx, "SELECT token, text FROM name")
	if err != nil {
		return nil, fmt.Errorf("journal: names: %w", damage(j.path, err))
	}
	defer rows.Close()
	known := names.Names{}
	for rows.Next() {
		var n names.Name
		if err := rows.Scan(&n.Token, &n.Text); err != nil {
			return nil, fmt.Errorf("journal: names: %w", damage(j.path, err))
		}
		known[n.Token] = n.Text
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("journal: names: %w", damage(j.path, err))
	}
	return known, nil
}

// Answered looks up the answer to a command that was done before.
func (j *Journal) Answered(id string) (a Answer, done bool, err error) {
	a.ID = id
	var command []byte
	err = j.DB.QueryRow("SELECT at_ns, command, reply FROM answer WHERE id = ?", id).Scan(&a.AtNs, &command, &a.Reply)
	if errors.Is(err, sql.ErrNoRows) {
		return Answer{}, false, nil
	}
	if err != nil {
		return Answer{}, false, fmt.Errorf("journal: %w", err)
	}
	copy(a.Command[:], command)
	return a, true, nil
}

// Sent is the sequence number up to which the history has everything.
func (j *Journal) Sent() (seq uint64, err error) {
	text, err := j.Mark("sent")
	if err != nil || text == "" {
		return 0, err
	}
	if _, err := fmt.Sscan(text, &seq); err != nil {
		return 0, fmt.Errorf("journal: mark sent: %w", damaged(j.path, err))
	}
	return seq, nil
}

// SetSent moves the history's mark, and keeps the lines that it refused for good
// with the reason.
func (j *Journal) SetSent(ctx context.Context, seq uint64, refused []Refused) error {
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	defer tx.Rollback()
	for _, r := range refused {
		if _, err := tx.Exec("INSERT INTO set_aside VALUES (?,?,?)", int64(seq), r.Line, r.Reason); err != nil {
			return fmt.Errorf("journal: %w", damage(j.path, err))
		}
	}
	if err := SetMark(tx, "sent", fmt.Sprint(seq)); err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	return nil
}

// Prune forgets what is older than a time and no longer needed: in the snapshot,
// and in the history when there is one. It forgets a piece at a time, and tells
// whether there is more. Answers are kept as long as events.
func (j *Journal) Prune(ctx context.Context, olderThan time.Time, snapshotSeq uint64, history bool) (more bool, err error) {
	upTo := snapshotSeq
	if history {
		sent, err := j.Sent()
		if err != nil {
			return false, err
		}
		upTo = min(upTo, sent)
	}
	at, err := j.thinned()
	if err != nil {
		return false, err
	}
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return false, fmt.Errorf("journal: %w", err)
	}
	defer tx.Rollback()
	var last sql.NullInt64
	var n int
	// Of the oldest only: to look for the newest that is old would read all.
	if err := tx.QueryRow("SELECT max(seq), count(*) FROM (SELECT seq, at_ns FROM event WHERE seq <= ? ORDER BY seq LIMIT ?) WHERE at_ns < ?",
		int64(upTo), PieceEvents, olderThan.UnixNano()).Scan(&last, &n); err != nil {
		return false, fmt.Errorf("journal: %w", err)
	}
	if !last.Valid {
		return false, nil
	}
	if uint64(last.Int64) > at.Seq {
		if _, err := at.pass(tx, uint64(last.Int64)); err != nil {
			return false, fmt.Errorf("journal: %w", err)
		}
	}
	for _, statement := range []struct {
		query string
		arg   int64
	}{
		{"DELETE FROM published WHERE seq <= ?", last.Int64},
		{"DELETE FROM event WHERE seq <= ?", last.Int64},
		{"DELETE FROM answer WHERE at_ns < ?", olderThan.UnixNano()},
	} {
		if _, err := tx.Exec(statement.query, statement.arg); err != nil {
			return false, fmt.Errorf("journal: %w", err)
		}
	}
	return n == PieceEvents, tx.Commit()
}
