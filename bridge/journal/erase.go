package journal

import (
	"context"
	"errors"
	"net/url"
	"os"

	"bayfill/bridge/words"
)

// EraseName removes the name behind a token from a journal, also from the lines that
// the history refused. The program may be running; it remembers the name until its
// next start. erased is false when the journal held no such name.
func EraseName(ctx context.Context, journal, token string) (erased bool, err error) {
	if _, err := os.Stat(journal); err != nil {
		return false, failed(err)
	}
	// secure_delete overwrites deleted text in the file; the checkpoint below empties
	// the write-ahead log.
	j, err := openDatabase(journal, url.Values{"mode": {"rw"}, "_pragma": {"busy_timeout(10000)", "secure_delete(ON)"}})
	if err != nil {
		return false, words.NewError("record.journal_at", "path", journal, "why", err)
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	result, err := j.DB.ExecContext(ctx, "DELETE FROM name WHERE token = ?", token)
	if err != nil {
		return false, words.NewError("record.journal_at", "path", journal, "why", err)
	}
	lines, err := j.eraseDeadLetters(ctx, token)
	if err != nil {
		return false, words.NewError("record.journal_at", "path", journal, "why", err)
	}
	if _, err := j.DB.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return false, words.NewError("record.journal_at", "path", journal, "why", err)
	}
	n, err := result.RowsAffected()
	return n > 0 || lines > 0, err
}
