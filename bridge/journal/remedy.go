package journal

import (
	"errors"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"bayfill/bridge/words"
)

// damagedError is wrapped by every error about a damaged file. Its text says what to do.
type damagedError struct{ says *words.Error }

func (e *damagedError) Error() string { return e.says.Error() }
func (e *damagedError) Unwrap() error { return e.says }

// failed says that an error is the journal's.
func failed(err error) error { return words.NewError("record.journal", "why", err) }

// code returns SQLite's primary result code of an error, 0 when the error is not
// SQLite's.
func code(err error) int {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return 0
	}
	return e.Code() & 0xFF // without the extended part
}

// damage adds what to do to an error that means a damaged file, since SQLite's text
// does not say it. It returns other errors as they are.
func damage(path string, err error) error {
	switch code(err) {
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return damaged(path, err)
	}
	return err
}

func damaged(path string, err error) error {
	return &damagedError{words.NewError("record.damaged", "path", path, "why", err)}
}

// Remedy returns what to do about an error of the journal, as a word of the catalogues' list
// remedy.
func Remedy(err error) string {
	switch c := code(err); {
	case errors.As(err, new(*damagedError)):
		return "damaged"
	case errors.Is(err, ErrGone):
		return "gone"
	case c == sqlite3.SQLITE_FULL:
		return "full"
	case c == sqlite3.SQLITE_IOERR:
		return "failing"
	case c == sqlite3.SQLITE_READONLY:
		return "read_only"
	case c == sqlite3.SQLITE_BUSY || c == sqlite3.SQLITE_LOCKED:
		return "locked"
	}
	return "full_or_failing"
}
