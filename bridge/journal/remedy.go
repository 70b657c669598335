package journal

import (
	"errors"

	sqlite3 "modernc.org/sqlite/lib"
)

// errDamaged is in every error of a journal that a card has spoilt; its text says
// what to do.
var errDamaged = errors.New("is damaged")

// remedy is what to do about an error of the journal, to stand after it.
func Remedy(err error) string {
	switch c := code(err); {
	case errors.Is(err, errDamaged):
		return ""
	case c == sqlite3.SQLITE_FULL:
		return ": free disk space"
	case c == sqlite3.SQLITE_IOERR:
		return ": the disk fails, replace the card"
	case c == sqlite3.SQLITE_READONLY:
		return ": it may only be read: mount it to be written again, and replace a card that the system has locked"
	case c == sqlite3.SQLITE_BUSY || c == sqlite3.SQLITE_LOCKED:
		return ": another program holds it, end that one"
	}
	return ": free disk space or replace the card"
}
